package supervisor

import (
	"bytes"
	"io"
	"os"
	"slices"
	"testing"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/gcode"
	"beltwarden/supervisor/job"
)

// tapped is a port that notes when urgent bytes are in the kernel.
type tapped struct {
	serialio.Port
	word []byte
	seen chan time.Time
}

func (p *tapped) Write(b []byte) (int, error) {
	n, err := p.Port.Write(b)
	if len(b) < 16 && bytes.Contains(b, p.word) {
		p.seen <- time.Now()
	}
	return n, err
}

// TestUrgentLatency measures how long urgent commands take to reach the port with the window full:
// while the machine keeps up with the wire, and while it is busy and the window does not move. It
// prints the times and asserts none.
func TestUrgentLatency(t *testing.T) {
	if os.Getenv("BELTWARDEN_BENCH") == "" {
		t.Skip("a measurement: make bench")
	}
	plan, err := job.Inspect(t.Context(), realJob, testJobOptions(), nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ name, speed, factor string }{
		{"window moving", "0", "M220 S100000"}, {"window standing", "1", "M220 S200"},
	} {
		tap := &tapped{word: []byte("M108\n"), seen: make(chan time.Time, 1)}
		conn := farRig(t, 1024, c.speed, func(p serialio.Port) serialio.Port { tap.Port = p; return tap })
		track := tracker{axis: gcode.Z, forward: 1}
		track.reset()
		src := &source{t: &track, program: Program{Before: []string{c.factor}, Plan: plan, Section: job.Body}}
		if err := conn.Run(1, &again{src: src}); err != nil {
			t.Fatal(err)
		}
		var took []time.Duration
		for began, i := time.Now(), 0; time.Since(began) < 30*time.Second; i++ {
			if !full(conn, conn.Stats().LinesAccepted) {
				t.Fatalf("%s: the window does not fill: %+v", c.name, conn.Stats())
			}
			time.Sleep(time.Duration(i%17) * 300 * time.Microsecond)
			from := time.Now()
			conn.Urgent(tap.word)
			took = append(took, (<-tap.seen).Sub(from))
		}
		conn.Cancel()
		slices.Sort(took)
		t.Logf("urgent words, %s: %d times, to the port in %v (p50), %v (p99), %v (most)", c.name, len(took),
			took[len(took)/2], took[len(took)*99/100], took[len(took)-1])
	}
}

// full waits until more lines are accepted, which shows that board and sender are synchronised again,
// and the window is full.
func full(c *serialio.Conn, accepted uint64) bool {
	for range 10_000 {
		if s := c.Stats(); s.LinesAccepted > accepted && s.UnansweredBytes > 980 {
			return true
		}
		time.Sleep(time.Millisecond)
	}
	return false
}

// again restarts a source when it ends.
type again struct{ src *source }

func (s *again) Accepted(n int) { s.src.Accepted(n) }
func (s *again) Unsent()        { s.src.Unsent() }

func (s *again) Next(dst []byte) ([]byte, error) {
	line, err := s.src.Next(dst)
	if err == io.EOF {
		s.src = &source{t: s.src.t, program: s.src.program}
		return s.src.Next(dst)
	}
	return line, err
}
