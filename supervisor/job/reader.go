package job

import (
	"errors"
	"fmt"
	"io"
	"os"
	"sort"
	"syscall"

	"beltwarden/supervisor/gcode"
)

// Reader yields the lines of one section as they are sent. It is for one goroutine. It holds one
// buffer, however long the section is.
type Reader struct {
	p    *Plan
	sec  *Section
	kind SectionKind
	f    *os.File
	src  *source
	l    gcode.Line

	n        int64 // number of the line last read
	withheld []Change
	added    []Change
	nextOut  int // index of the next withheld line
	nextIn   int // index of the next added line
	loops    []loop
	err      error // what Next returns from now on
	holding  bool  // the line at hand waits for added lines to go first
	line     []byte
	saved    int64
}

// Open starts reading a section. It fails with [ErrChanged] when the file is not
// the one that was inspected. Next fails with it as soon as a change shows, at
// the latest at the section's end.
func (p *Plan) Open(kind SectionKind) (*Reader, error) {
	switch kind {
	case LeadIn, Body, LeadOut:
	default:
		return nil, fmt.Errorf("cannot open section %q: there is no such section", kind)
	}
	f, err := os.OpenFile(p.file, os.O_RDONLY|syscall.O_NONBLOCK, 0) // a pipe put in its place would wait for a writer
	if err != nil {
		return nil, fmt.Errorf("cannot open job: %w", err)
	}
	r := &Reader{p: p, sec: p.Section(kind), kind: kind, f: f}
	if err := r.unchanged(); err != nil {
		f.Close()
		return nil, err
	}
	r.n = r.sec.FirstLine - 1
	r.src = newSource(f, r.sec.FromByte, r.sec.ToByte, r.sec.crcFrom)
	r.src.filled = func(int64) error { return r.unchanged() }
	r.withheld, r.added = changesIn(p.Withheld, kind), changesIn(p.Added, kind)
	if _, err := f.Seek(r.sec.FromByte, io.SeekStart); err != nil {
		f.Close()
		return nil, fmt.Errorf("cannot open job %s: %w", p.Path, err)
	}
	return r, nil
}

// changesIn returns the changes of one section.
func changesIn(all []Change, kind SectionKind) []Change {
	var in []Change
	for _, c := range all {
		if c.Section == kind {
			in = append(in, c)
		}
	}
	return in
}

// unchanged compares the open file with the inspected one.
func (r *Reader) unchanged() error {
	info, err := r.f.Stat()
	if err != nil {
		return fmt.Errorf("cannot check job: %w", err)
	}
	if identityOf(info) != r.p.identity {
		return r.changed()
	}
	return nil
}

func (r *Reader) changed() error {
	return fmt.Errorf("cannot go on with %s: %w since it was inspected; inspect it again", r.p.Path, ErrChanged)
}

// Next appends the next line to dst, without a line end, and returns the result;
// io.EOF after the last. Any other error stays.
func (r *Reader) Next(dst []byte) ([]byte, error) {
	if r.err != nil {
		return dst, r.err
	}
	for {
		if !r.holding {
			if err := r.read(); err != nil && err != io.EOF {
				r.err = err
				return dst, err
			} else if err == io.EOF {
				return r.atEnd(dst)
			}
			r.holding = true
		}
		if r.nextIn < len(r.added) && r.added[r.nextIn].Line <= r.n {
			r.nextIn++
			return append(dst, r.added[r.nextIn-1].Text...), nil
		}
		r.holding = false
		if r.isWithheld() {
			if err := r.repeat(); err != nil {
				r.err = err
				return dst, err
			}
			continue
		}
		from, move := len(dst), r.l.ParseMove(r.line)
		if !move {
			if err := r.l.Parse(r.line); err != nil {
				r.err = r.changed() // every line was readable when the file was inspected
				return dst, r.err
			}
			if r.l.Letter == 0 {
				continue
			}
		}
		dst = r.l.AppendWire(dst, r.p.options.Form)
		if !move {
			if err := r.judge(dst[from:]); err != nil {
				r.err = err
				return dst[:from], err
			}
		}
		r.saved += int64(len(r.line) - (len(dst) - from))
		return dst, nil
	}
}

// judge refuses the present line if inspection would not have passed it, whatever has happened to
// the file.
func (r *Reader) judge(wire []byte) error {
	rule := r.p.options.judge(&r.l, wire)
	why := rule.refuse.text
	switch {
	case rule.withhold != "":
		why = rule.withhold
	case why == "" && r.kind == Body && r.l.Unseen():
		why = "it moves the machine, or shifts coordinates, in a way that cannot be followed"
	}
	if why == "" {
		return nil
	}
	return fmt.Errorf("cannot send line %d of %s, %q: %s; %w since it was inspected; inspect it again", r.n, r.p.Path, r.l.AppendClean(nil), why, ErrChanged)
}

// SavedBytes returns by how many bytes the lines returned so far are shorter than in the file,
// without line ends. Lines added to the job save nothing.
func (r *Reader) SavedBytes() int64 { return r.saved }

// read reads the next line from the file.
func (r *Reader) read() error {
	line, _, _, err := r.src.next()
	if errors.Is(err, errLong) {
		return r.changed()
	}
	if err != nil {
		return err
	}
	r.n++
	r.line = line
	return nil
}

// atEnd returns the lines added at the section's end, once the bytes read are known to be those
// inspected.
func (r *Reader) atEnd(dst []byte) ([]byte, error) {
	if r.src.sum(r.sec.ToByte) != r.sec.crcTo || r.n != r.sec.LastLine {
		r.err = r.changed()
		return dst, r.err
	}
	if r.nextIn < len(r.added) {
		r.nextIn++
		return append(dst, r.added[r.nextIn-1].Text...), nil
	}
	if err := r.unchanged(); err != nil {
		r.err = err
		return dst, err
	}
	r.err = io.EOF
	return dst, io.EOF
}

// isWithheld reports whether the present line is withheld.
func (r *Reader) isWithheld() bool {
	if r.nextOut < len(r.withheld) && r.withheld[r.nextOut].Line == r.n {
		r.nextOut++
		return true
	}
	return false
}

// repeat goes back to the beginning of a repeat inside the body, if the present withheld line is
// its end.
func (r *Reader) repeat() error {
	if r.kind != Body {
		return nil
	}
	if err := r.l.Parse(r.line); err != nil {
		return r.changed()
	}
	if !r.l.Is('M', 808) {
		return nil
	}
	if r.l.Has('L') {
		count, _ := r.l.Get('L')
		at := r.src.base + int64(r.src.start)
		r.loops = append(r.loops, loop{at: at, line: r.n + 1, remaining: int64(count) - 1})
		return nil
	}
	if len(r.loops) == 0 {
		return r.changed()
	}
	top := &r.loops[len(r.loops)-1]
	if top.remaining <= 0 {
		r.loops = r.loops[:len(r.loops)-1]
		return nil
	}
	top.remaining--
	r.n = top.line - 1
	r.nextOut = sort.Search(len(r.withheld), func(k int) bool { return r.withheld[k].Line >= top.line })
	return r.src.seek(top.at)
}

// Close closes the file.
func (r *Reader) Close() error {
	if err := r.f.Close(); err != nil {
		return fmt.Errorf("cannot close job: %w", err)
	}
	return nil
}
