package serialio

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// TestStart: what a board may do after its port was opened.
func TestStart(t *testing.T) {
	cases := []struct {
		name  string
		board func(b *board)
		last  int64
		reset bool
		most  time.Duration
	}{
		{"says nothing by itself", func(b *board) { b.last = 4711 }, 4711, false, 4 * time.Second},
		{"start at once", func(b *board) { go b.say("start\necho:some board\necho:  Free memory: 1234") }, 0, true, time.Second},
		{"glitch before start", func(b *board) { go b.say("\x00\xff\xfestart\nbanner") }, 0, true, time.Second},
		{"late start", func(b *board) {
			b.last = 99
			go func() { time.Sleep(2 * time.Second); b.last = 0; b.say("start") }()
		}, 0, true, 3 * time.Second},
		{"start after the question", func(b *board) {
			b.last = 99
			b.execute = func(b *board, text string) {}
			go func() { time.Sleep(3150 * time.Millisecond); b.last = 0; b.say("start") }()
		}, 0, true, 8 * time.Second},
		{"reports by itself", func(b *board) {
			go func() {
				for range 40 {
					time.Sleep(90 * time.Millisecond)
					b.say("T:20.0 /0.0 B:20.0 /0.0")
				}
			}()
		}, 0, false, 5 * time.Second},
		{"half a line from before", func(b *board) { b.rx <- []byte("N12 G1 X") }, 0, false, 4 * time.Second},
		{"next number by chance", func(b *board) { b.last = probeNumbers[0] - 1 }, -1, false, 6 * time.Second},
		{"no ok after a request", func(b *board) { b.noOK = true }, 0, false, 4 * time.Second},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			within(t, func() *board { b := newBoard(); c.board(b); return b }, Options{WindowBytes: 128}, func(x *bench) {
				began := time.Now()
				e := x.wait(EventSynced)
				if e.LastNumber != c.last || e.Reset != c.reset {
					t.Errorf("synced: last %d reset %v, want %d %v", e.LastNumber, e.Reset, c.last, c.reset)
				}
				if took := time.Since(began); took > c.most {
					t.Errorf("took %v, want up to %v", took, c.most)
				}
				x.board.mu.Lock()
				x.board.taken = x.board.taken[:0]
				x.board.mu.Unlock()
				x.stream(program1(20))
			})
		})
	}
}

// TestNoStart: what cannot be worked with, and what the operator reads.
func TestNoStart(t *testing.T) {
	cases := []struct {
		name  string
		board func(b *board)
		want  error
		text  string
		most  time.Duration
	}{
		{"mute", func(b *board) { b.mute = true }, ErrSilent, "1m0s", 61 * time.Second},
		{"another baud rate", func(b *board) {
			b.mute = true
			go func() {
				for range 1000 {
					select {
					case b.tx <- []byte("\xf8\x80\x00\xfe\x1c\xe0"):
					case <-b.closed:
						return
					}
					time.Sleep(20 * time.Millisecond)
				}
			}()
		}, ErrDesync, `"\xf8\x80\x00\xfe`, 14 * time.Second},
		{"another device", func(b *board) {
			b.mute = true
			go func() {
				for range 1000 {
					select {
					case b.tx <- []byte("$GPVTG,089.0,T,,,15.2,N,,*7F\r\n"):
					case <-b.closed:
						return
					}
					time.Sleep(time.Second)
				}
			}()
		}, ErrDesync, "GPVTG", 14 * time.Second},
		{"numbers not checked", func(b *board) { b.noCheck = true }, ErrDesync, "whatever their number", 10 * time.Second},
		{"restarts for ever", func(b *board) {
			b.mute = true
			go func() {
				for range 100 {
					select {
					case b.tx <- []byte("start\n"):
					case <-b.closed:
						return
					}
					time.Sleep(time.Second)
				}
			}()
		}, ErrReset, "supply", 20 * time.Second},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			within(t, func() *board { b := newBoard(); c.board(b); return b }, Options{}, func(x *bench) {
				began := time.Now()
				e := x.wait(EventLost, EventSynced)
				if !errors.Is(e.Err, c.want) || !strings.Contains(fmt.Sprint(e.Err), c.text) {
					t.Errorf("lost: %v, want %v with %q", e.Err, c.want, c.text)
				}
				if took := time.Since(began); took > c.most {
					t.Errorf("took %v, want up to %v", took, c.most)
				}
			})
		})
	}
}

// TestCloseAnytime: Close ends everything, whatever goes on and although nobody
// receives events. The bubble fails if a goroutine is left.
func TestCloseAnytime(t *testing.T) {
	for after := range 40 {
		synctest.Test(t, func(t *testing.T) {
			b := newBoard()
			b.lineTime = 10 * time.Millisecond
			c := NewConn(b, Options{WindowBytes: 128, BootWait: -1})
			done := make(chan struct{})
			go func() { defer close(done); b.serve() }()
			if err := c.Run(1, &list{lines: program1(200)}); err != nil {
				t.Fatal(err)
			}
			c.SendControl(2, "M105")
			time.Sleep(time.Duration(after) * 20 * time.Millisecond)
			c.Urgent([]byte("M112\n"))
			if err := c.Close(); err != nil {
				t.Error(err)
			}
			if err := c.Close(); err != nil {
				t.Error(err)
			}
			if err := c.Run(2, &list{}); !errors.Is(err, ErrClosed) {
				t.Errorf("run after close: %v", err)
			}
			c.SendControl(3, "M105")
			c.Cancel()
			c.Urgent([]byte("M112\n"))
			if _, ok := <-c.Events(); ok {
				t.Error("event after close")
			}
			<-done
			b.drain(new([]byte))
			if after > 0 && len(b.urgent) == 0 && !bytes.Contains(unread(b), []byte("M112")) {
				t.Error("urgent word before close did not reach the board")
			}
		})
	}
}

// unread returns what was written to the board and not read by it.
func unread(b *board) []byte {
	var out []byte
	for f := range b.genuine {
		out = append(out, f...)
	}
	return out
}

// TestStuckWrite: the kernel takes no bytes. Close must come back, must not close
// the port under the writer, and must say so.
func TestStuckWrite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBoard()
		p := &stuckPort{board: b, free: make(chan struct{})}
		c := NewConn(p, Options{BootWait: -1})
		time.Sleep(5 * time.Second)
		began := time.Now()
		if err := c.Close(); err == nil || !strings.Contains(err.Error(), "stuck") {
			t.Errorf("close: %v", err)
		}
		if took := time.Since(began); took > 2*closeBound {
			t.Errorf("took %v", took)
		}
		if p.isClosed {
			t.Error("port closed under the writer")
		}
		close(p.free)
		b.Close()
	})
}

type stuckPort struct {
	*board
	free     chan struct{}
	isClosed bool
}

func (p *stuckPort) Write([]byte) (int, error) { <-p.free; return 0, ErrUnplugged }
func (p *stuckPort) Close() error              { p.isClosed = true; return p.board.Close() }

// unheard runs a program on a board that says 20 such lines for each of its 501, with nobody receiving for a
// minute, and returns how many events there are then until the end of it.
func unheard(t *testing.T, line string) (n int) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := newBoard()
		b.execute = func(b *board, text string) {
			for range 20 {
				b.say("%s", line)
			}
		}
		c := NewConn(b, Options{WindowBytes: 128, BootWait: -1})
		done := make(chan struct{})
		go func() { defer close(done); b.serve() }()
		if err := c.Run(1, &list{lines: program1(500)}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute)
		if s := c.Stats(); s.LinesAccepted != 501 || s.ReportsDropped == 0 {
			t.Errorf("stats %+v", s)
		}
		for e := range c.Events() {
			if n++; e.Kind == EventDone {
				break
			}
		}
		if err := c.Close(); err != nil {
			t.Error(err)
		}
		<-done
	})
	return n
}

// TestNobodyListens: a receiver that never receives holds nothing up, and may
// call everything meanwhile.
func TestNobodyListens(t *testing.T) {
	if n := unheard(t, "echo:talk"); n < maxPending || n > maxPending+2 {
		t.Errorf("%d events kept, want about %d", n, maxPending)
	}
}

// TestASlowReceiverHearsTheEndSoon: a board that tells its temperatures faster than they are taken in does
// not keep the end of a program behind thousands of them.
func TestASlowReceiverHearsTheEndSoon(t *testing.T) {
	if n := unheard(t, "T:201.20 /205.00 B:60.10 /60.00 @:64 B@:30"); n > maxReadings+4 {
		t.Errorf("the end came after %d events", n)
	}
}

// TestShortWrites: urgent words that come while a frame is half written stand on
// a line of their own, and the rest of the frame, which means nothing by itself, is
// not written.
func TestShortWrites(t *testing.T) {
	p := &shortPort{}
	w := newWriter(p)
	p.after = func(n int) {
		if n == 7 {
			w.queueUrgent([]byte("M112\n"))
		}
	}
	w.queue([]byte("N1 G28*18\nN2 M107*39\n"))
	w.stopping = true
	w.run()
	if want := "N1 G28*\nM112\nN2 M107*39\n"; p.got.String() != want {
		t.Errorf("wrote %q, want %q", p.got.String(), want)
	}
}

type shortPort struct {
	got   bytes.Buffer
	after func(n int)
}

func (p *shortPort) Read([]byte) (int, error) { return 0, ErrClosed }
func (p *shortPort) Close() error             { return nil }
func (p *shortPort) Write(b []byte) (int, error) {
	p.got.WriteByte(b[0])
	p.after(p.got.Len())
	return 1, nil
}
