package serialio

import (
	"bytes"
	"cmp"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"
)

// board is a small controller at the other end of a port made of channels. It
// follows the common rules: number, checksum, rejection, and the variations that
// its fields choose. What it took is recorded, so that tests compare that record
// with the program and not our bookkeeping with itself.
type board struct {
	// variations
	resend     string        // format of the request, "Resend: %d" by default
	noOK       bool          // no ok after a request
	keepUnread bool          // unread bytes survive a rejection
	advanced   bool          // ok names number and free slots
	lineTime   time.Duration // time to deal with one line
	noCheck    bool          // takes any number
	queue      int           // lines taken at once and answered later, one each lineTime
	mute       bool          // never says anything
	patience   time.Duration // rejects a line whose end does not come within this time
	slots      int           // free slots that the advanced ok tells, 3 by default
	// damage and other mischief
	toBoard func(line int, frame []byte) []byte // per line received, numbered from 0
	toHost  func(reply string) string           // what becomes of one reply, with its line end
	execute func(b *board, text string)         // extra replies of a command, before its ok
	rxSize  int                                 // receive buffer, 0 unlimited

	mu       sync.Mutex
	taken    []string
	last     int64
	received int
	overrun  int // bytes beyond rxSize
	over     int // of them so many are no fault
	urgent   []string
	gaveUp   int      // times that patience ended
	unread   int      // most bytes ever in the receive buffer
	stray    []string // lines without number that are no urgent words
	// Frames as they were before damage. One damaged line in 256 has a right
	// checksum by chance; no sender can help that, and the test would measure
	// luck: so the board also refuses what was never sent.
	genuine map[string]bool
	whole   []byte // the line that is coming in, as it was before damage
	early   []byte // the line that is coming in, as the look for urgent words sees it

	work   chan string // lines taken and not answered, with queue
	rx     chan []byte // host to board
	tx     chan []byte // board to host
	closed chan struct{}
	once   sync.Once
}

func newBoard() *board {
	return &board{resend: "Resend: %d", rx: make(chan []byte, 4096), tx: make(chan []byte, 65536), closed: make(chan struct{})}
}

func (b *board) Read(p []byte) (int, error) {
	select {
	case d, ok := <-b.tx:
		if !ok {
			return 0, fmt.Errorf("read: %w", ErrUnplugged)
		}
		if len(d) > len(p) {
			panic("reply longer than the read buffer")
		}
		return copy(p, d), nil
	case <-b.closed:
		return 0, fmt.Errorf("read: %w", ErrClosed)
	case <-time.After(50 * time.Millisecond):
		return 0, nil
	}
}

func (b *board) Write(p []byte) (int, error) {
	select {
	case b.rx <- bytes.Clone(p):
		return len(p), nil
	case <-b.closed:
		return 0, fmt.Errorf("write: %w", ErrClosed)
	}
}

func (b *board) Close() error {
	b.once.Do(func() { close(b.closed) })
	return nil
}

// say sends one reply line, through the damage.
func (b *board) say(format string, a ...any) {
	s := fmt.Sprintf(format, a...) + "\n"
	if b.mute {
		return
	}
	if b.toHost != nil {
		s = b.toHost(s)
	}
	for len(s) > 0 {
		n := min(len(s), 4000)
		select {
		case b.tx <- []byte(s[:n]):
		case <-b.closed:
			return
		}
		s = s[n:]
	}
}

// serve runs the board until the port closes.
func (b *board) serve() {
	var buf []byte
	if b.queue > 0 {
		b.work = make(chan string, b.queue)
		var worker sync.WaitGroup
		defer worker.Wait()
		defer close(b.work)
		worker.Go(func() {
			for text := range b.work {
				time.Sleep(b.lineTime)
				b.answer(text)
			}
		})
	}
	for {
		line, ok := b.nextLine(&buf)
		if !ok {
			return
		}
		if b.lineTime > 0 && b.queue == 0 {
			time.Sleep(b.lineTime)
		}
		b.handle(line, &buf)
	}
}

// nextLine waits for a whole line and returns it.
func (b *board) nextLine(buf *[]byte) (string, bool) {
	for {
		b.drain(buf)
		if i := bytes.IndexByte(*buf, '\n'); i >= 0 {
			line := string((*buf)[:i])
			*buf = (*buf)[i+1:]
			return line, true
		}
		var late <-chan time.Time
		if b.patience > 0 && len(*buf) > 0 {
			late = time.After(b.patience)
		}
		select {
		case d := <-b.rx:
			b.put(buf, d)
		case <-late:
			b.mu.Lock()
			b.gaveUp++
			b.mu.Unlock()
			b.reject(buf, "line took too long")
			*buf = (*buf)[:0]
		case <-b.closed:
			return "", false
		}
	}
}

func (b *board) drain(buf *[]byte) {
	for {
		select {
		case d := <-b.rx:
			b.put(buf, d)
		default:
			return
		}
	}
}

// put takes bytes into the receive buffer; damage is done frame by frame, or to
// each piece of one. Urgent words act here, before the buffer, as on a board that
// says that it looks for them.
func (b *board) put(buf *[]byte, d []byte) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.genuine == nil {
		b.genuine = map[string]bool{}
	}
	for frame := range bytes.SplitAfterSeq(d, []byte{'\n'}) {
		if len(frame) == 0 {
			continue
		}
		b.whole = append(b.whole, frame...)
		ended := frame[len(frame)-1] == '\n'
		if b.toBoard != nil && len(frame) > 1 {
			frame = b.toBoard(b.received, bytes.Clone(frame))
		}
		if ended {
			b.genuine[strings.TrimSpace(string(b.whole))] = true
			b.whole = b.whole[:0]
			b.received++
		}
		b.early = append(b.early, frame...)
		if i := bytes.LastIndexByte(b.early, '\n'); i >= 0 {
			for word := range strings.SplitSeq(string(b.early[:i]), "\n") {
				if isUrgent(word) {
					b.urgent = append(b.urgent, word)
				}
			}
			b.early = b.early[i+1:]
		}
		*buf = append(*buf, frame...)
		b.unread = max(b.unread, len(*buf))
		if b.rxSize > 0 && len(*buf) > b.rxSize {
			b.overrun += len(*buf) - b.rxSize
			*buf = (*buf)[:b.rxSize]
		}
	}
}

func isUrgent(line string) bool { return line == "M108" || line == "M112" }

func (b *board) reject(buf *[]byte, why string) {
	b.say("Error:%s, Last Line: %d", why, b.last)
	if !b.keepUnread {
		b.drain(buf)
		*buf = (*buf)[:0]
	}
	b.say(b.resend, b.last+1)
	if !b.noOK {
		b.say("ok")
	}
}

func (b *board) handle(line string, buf *[]byte) {
	line = strings.TrimSpace(line)
	if line == "" {
		return
	}
	star := strings.LastIndexByte(line, '*')
	if line[0] != 'N' {
		if star >= 0 {
			b.mu.Lock()
			b.stray = append(b.stray, line)
			b.mu.Unlock()
			b.reject(buf, "No Line Number with checksum")
			return
		}
		if !isUrgent(line) {
			b.mu.Lock()
			b.stray = append(b.stray, line)
			b.mu.Unlock()
		}
		b.say("ok")
		return
	}
	if star < 0 {
		b.reject(buf, "No Checksum with line number")
		return
	}
	sum := 0
	for i := range star {
		sum ^= int(line[i])
	}
	if got, err := strconv.Atoi(line[star+1:]); err != nil || got != sum || !b.genuine[line] {
		b.reject(buf, "checksum mismatch")
		return
	}
	number, text, _ := strings.Cut(line[1:star], " ")
	n, err := strconv.ParseInt(number, 10, 64)
	if err != nil || (n != b.last+1 && !strings.HasPrefix(text, "M110") && !b.noCheck) {
		b.reject(buf, "Line Number is not Last Line Number+1")
		return
	}
	b.mu.Lock()
	b.last = n
	b.taken = append(b.taken, text)
	b.mu.Unlock()
	if b.queue > 0 {
		select {
		case b.work <- text:
		case <-b.closed:
		}
		return
	}
	b.answer(text)
}

// answer carries a line out and says ok.
func (b *board) answer(text string) {
	if b.execute != nil {
		b.execute(b, text)
	}
	switch {
	case text == "M105":
		b.say("ok T:25.0 /0.0 B:24.0 /0.0 @:0 B@:0")
	case b.advanced:
		b.say("ok N%d P15 B%d", b.last, cmp.Or(b.slots, 3))
	default:
		b.say("ok")
	}
}

// record returns the program lines taken, without what the connection added
// to get in step.
func (b *board) record() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	var out []string
	for i, s := range b.taken {
		if i == 0 && s == "M110 N9" {
			continue
		}
		out = append(out, s)
	}
	return out
}
