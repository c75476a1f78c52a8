package supervisor

import (
	"slices"
	"strings"
	"sync"
	"time"

	"beltwarden/serialio"
	"beltwarden/serialio/rig"
)

// notes are what the run handed to its connections, in order: the stream that the
// board should have executed.
type notes struct {
	begun time.Time // when the machine was switched on

	mu    sync.Mutex
	links []*linkNotes
	lines int // of programs, all together
	mark  int // the alarm goes off at so many lines
	alarm chan struct{}

	coolFrom []time.Duration // when the service began to cool, so that its lines came in addition to those noted
}

// coolTexts are what the cooling of the service sends.
var coolTexts = []string{"M108", "M104 S0", "M140 S0", "M141 S0", "M104 T1 S0", "M105", "M85 S0"}

// linkNotes is one connection.
type linkNotes struct {
	at       time.Duration // machine time at which the port was opened
	programs []*programNotes
	asks     []string
	urgent   []string // bytes sent beside the numbered lines
}

// programNotes is one program: the lines that its source has handed out.
type programNotes struct {
	lines     []string
	cancelled bool
}

// noted is a connection that notes what it is given.
type noted struct {
	connection
	n *notes
	l *linkNotes
}

// speak begins a connection; it replaces serialio.NewConn in the run.
func (n *notes) speak(p serialio.Port, o serialio.Options) connection {
	n.mu.Lock()
	defer n.mu.Unlock()
	l := &linkNotes{at: time.Since(n.begun)}
	n.links = append(n.links, l)
	return &noted{serialio.NewConn(p, o), n, l}
}

// wake returns a channel that is closed once so many lines of programs were handed out.
func (n *notes) wake(lines int) <-chan struct{} {
	n.mu.Lock()
	defer n.mu.Unlock()
	alarm := make(chan struct{})
	n.mark, n.alarm = lines, alarm
	n.ring()
	return alarm
}

func (n *notes) ring() {
	if n.alarm != nil && n.lines >= n.mark {
		close(n.alarm)
		n.alarm = nil
	}
}

func (c *noted) Run(id uint64, src serialio.Source) error {
	p := &programNotes{}
	c.n.mu.Lock()
	c.l.programs = append(c.l.programs, p)
	c.n.mu.Unlock()
	return c.connection.Run(id, &notedSource{src, c.n, p})
}

func (c *noted) Cancel() {
	c.n.mu.Lock()
	if k := len(c.l.programs); k > 0 {
		c.l.programs[k-1].cancelled = true
	}
	c.n.mu.Unlock()
	c.connection.Cancel()
}

func (c *noted) SendControl(id uint64, text string) {
	c.n.mu.Lock()
	c.l.asks = append(c.l.asks, text)
	c.n.mu.Unlock()
	c.connection.SendControl(id, text)
}

func (c *noted) Urgent(b []byte) {
	c.n.mu.Lock()
	c.l.urgent = append(c.l.urgent, strings.TrimSpace(string(b)))
	c.n.mu.Unlock()
	c.connection.Urgent(b)
}

// notedSource notes the lines of a source as it hands them out.
type notedSource struct {
	serialio.Source
	n *notes
	p *programNotes
}

func (s *notedSource) Next(dst []byte) ([]byte, error) {
	start := len(dst)
	dst, err := s.Source.Next(dst)
	if err == nil {
		s.n.mu.Lock()
		s.p.lines = append(s.p.lines, string(dst[start:]))
		s.n.lines++
		s.n.ring()
		s.n.mu.Unlock()
	}
	return dst, err
}

// cooling notes that the service begins to cool.
func (n *notes) cooling() { n.coolFrom = append(n.coolFrom, time.Since(n.begun)) }

// cooled reports whether a line may be one of the service's own, which are not noted. What it sent may
// still be in the board's buffer when it has ended.
func (n *notes) cooled(e rig.Executed) bool {
	return slices.ContainsFunc(n.coolFrom, func(from time.Duration) bool { return e.At >= from && e.At < from+10*time.Minute }) &&
		(slices.Contains(coolTexts, e.Text) || strings.HasPrefix(e.Text, "M110 N"))
}
