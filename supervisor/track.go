package supervisor

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"sync"
	"sync/atomic"

	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

// totals are what the lines amount to, in commanded millimetres.
type totals struct {
	travelMM, advanceMM, filamentMM float64
	moves                           int64 // lines that move head or belt
}

// tracker follows every line handed to the board: the modal state and position it leads to, and
// totals of what was handed out and accepted. The connection's goroutine writes it, the run reads
// it.
type tracker struct {
	axis    gcode.Axis
	forward float64

	mu       sync.Mutex
	state    gcode.State
	handed   totals
	accepted totals
	previous struct { // before the newest line
		state  gcode.State
		totals totals
	}
	lines  int64
	marks  []totals                  // totals after each line handed out and not yet accepted
	head   int                       // first mark in use
	recent [plannerMoves + 1]float64 // travel after each of the newest moves accepted, by number
	line   gcode.Line                // reused: a new one would clear a kilobyte per line
	effect gcode.Effect

	saved atomic.Int64 // bytes by which the jobs' lines handed out are shorter than in their files
}

// plannerMoves is the largest number of accepted moves that a board has still to make. A restart or
// halt loses them. Lines that move nothing take no place among them, nor does filament that a cold
// nozzle does not push.
const plannerMoves = 32

// follow tracks a line that is handed out now.
func (t *tracker) follow(line []byte) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := t.line.Parse(line); err != nil {
		return err
	}
	e := &t.effect
	t.previous.state = t.state
	if err := t.state.ApplyLine(&t.line, e); err != nil {
		return err
	}
	t.previous.totals = t.handed
	t.handed.travelMM += e.Travel(t.axis)
	t.handed.advanceMM += t.forward * e.Delta(t.axis)
	t.handed.filamentMM += e.ExtrudedMM
	if e.Travel(gcode.X)+e.Travel(gcode.Y)+e.Travel(gcode.Z) > 0 {
		t.handed.moves++
	}
	if t.head > 256 && t.head*2 > len(t.marks) {
		t.marks = t.marks[:copy(t.marks, t.marks[t.head:])]
		t.head = 0
	}
	t.marks = append(t.marks, t.handed)
	return nil
}

// undo takes back the newest line, which the board will never see.
func (t *tracker) undo() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.state, t.handed = t.previous.state, t.previous.totals
	t.marks = t.marks[:len(t.marks)-1]
}

// followControl tracks a control line. It moves nothing, and is acknowledged separately.
func (t *tracker) followControl(line string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.state.Apply([]byte(line))
	t.previous.state.Apply([]byte(line))
}

// accept counts the oldest n lines as accepted by the board.
func (t *tracker) accept(n int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	n = min(n, len(t.marks)-t.head)
	if n <= 0 {
		return
	}
	for _, m := range t.marks[t.head : t.head+n] {
		t.recent[m.moves%int64(len(t.recent))] = m.travelMM
	}
	t.head += n
	t.lines += int64(n)
	t.accepted = t.marks[t.head-1]
	if t.head == len(t.marks) {
		t.marks, t.head = t.marks[:0], 0
	}
}

// progress returns the totals.
func (t *tracker) progress() Progress {
	t.mu.Lock()
	defer t.mu.Unlock()
	return Progress{TravelMM: t.accepted.travelMM, AdvanceMM: t.accepted.advanceMM, FilamentMM: t.accepted.filamentMM,
		PendingMM: t.handed.travelMM - t.accepted.travelMM, PlannedMM: t.accepted.travelMM - t.recent[(t.accepted.moves+1)%int64(len(t.recent))], Lines: t.lines, SavedBytes: t.saved.Load(), State: t.state}
}

// reset starts over with an unknown board. Lines in flight were reported as pending before, and are
// not counted.
func (t *tracker) reset() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.state = gcode.NewState()
	t.previous.state = t.state
	t.handed = t.accepted
	for i := range t.recent {
		t.recent[i] = t.accepted.travelMM
	}
	t.marks, t.head = t.marks[:0], 0
}

// source streams a [Program]: lines, then a section of a job, then more lines. It implements
// serialio.Source. Only the connection's goroutine uses it. Memory does not grow with the job.
type source struct {
	t       *tracker
	program Program
	stage   int // 0 before, 1 section, 2 after, 3 ended
	index   int // next literal line of the stage

	reader   *job.Reader
	ahead    []byte // next line of the section, when its last line must be known
	spare    []byte
	last     bool // ahead is the section's last line
	numbered bool // the end number was set
	saved    int64
}

// Next implements serialio.Source.
func (s *source) Next(dst []byte) ([]byte, error) {
	start := len(dst)
	dst, err := s.line(dst)
	if err != nil {
		return dst, err
	}
	if s.reader != nil {
		if saved := s.reader.SavedBytes(); saved != s.saved {
			s.t.saved.Add(saved - s.saved)
			s.saved = saved
		}
	}
	if err := s.t.follow(dst[start:]); err != nil {
		return dst[:start], fmt.Errorf("cannot follow line %q: %w", dst[start:], err)
	}
	return dst, nil
}

// Accepted implements serialio.Source.
func (s *source) Accepted(n int) { s.t.accept(n) }

// Unsent implements serialio.Source.
func (s *source) Unsent() { s.t.undo() }

func (s *source) line(dst []byte) ([]byte, error) {
	for {
		switch s.stage {
		case 0, 2:
			list := s.program.Before
			if s.stage == 2 {
				list = s.program.After
			}
			if s.index < len(list) {
				s.index++
				return append(dst, list[s.index-1]...), nil
			}
			s.stage, s.index = s.stage+1, 0
		case 1:
			if s.program.Plan == nil {
				s.stage = 2
				continue
			}
			out, err := s.section(dst)
			if errors.Is(err, io.EOF) {
				s.stage = 2
				continue
			}
			return out, err
		default:
			return dst, io.EOF
		}
	}
}

// section appends the next line of the job's section. With an end number it reads one line ahead,
// and sets the board's line number just before the last line.
func (s *source) section(dst []byte) ([]byte, error) {
	if s.reader == nil {
		r, err := s.program.Plan.Open(s.program.Section)
		if err != nil {
			return dst, err
		}
		s.reader = r
		if s.program.EndNumber > 0 {
			if s.ahead, err = r.Next(nil); err != nil {
				return dst, s.close(err)
			}
		}
	}
	if s.program.EndNumber <= 0 {
		out, err := s.reader.Next(dst)
		return out, s.close(err)
	}
	if s.ahead == nil {
		return dst, s.close(io.EOF)
	}
	if !s.last {
		next, err := s.reader.Next(s.spare[:0])
		switch {
		case err == nil:
			dst = append(dst, s.ahead...)
			s.ahead, s.spare = next, s.ahead
			return dst, nil
		case !errors.Is(err, io.EOF):
			return dst, s.close(err)
		}
		s.last = true
	}
	if !s.numbered {
		s.numbered = true
		dst = append(dst, "M110 N"...)
		return strconv.AppendInt(dst, s.program.EndNumber-1, 10), nil
	}
	dst = append(dst, s.ahead...)
	s.ahead = nil
	return dst, nil
}

// close closes the job file when the section has ended or failed.
func (s *source) close(err error) error {
	if err != nil && s.reader != nil && s.stage == 1 {
		s.reader.Close()
	}
	return err
}
