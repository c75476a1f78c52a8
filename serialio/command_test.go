package serialio

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// TestNothingIsSentBehindAWaitForHeat: the person may break the wait off, and moves that lie in the board's
// buffer behind it would be made with a cold nozzle.
func TestNothingIsSentBehindAWaitForHeat(t *testing.T) {
	for _, window := range []int{0, 200} {
		for _, word := range []string{"M109 S200", "m109R200", "M190 S60", "M 0109 S200", "M191.0 S40", "M116"} {
			var handed atomic.Int32
			within(t, func() *board {
				b := newBoard()
				b.execute = func(b *board, text string) {
					if text != word {
						return
					}
					for range 30 {
						time.Sleep(2 * time.Second)
						b.say("echo:busy: processing")
					}
					if n := handed.Load(); n != 3 {
						t.Errorf("window %d, %s: %d lines were handed out before it was over, want 3", window, word, n)
					}
				}
				return b
			}, Options{WindowBytes: window, BootWait: -1}, func(x *bench) {
				x.wait(EventSynced)
				x.board.mu.Lock()
				x.board.taken = nil
				x.board.mu.Unlock()
				lines := []string{"G28", "M104 S200", word, "G1 E-0.5", "G1 E0", "M1090", "G4 P1"}
				if err := x.conn.Run(7, &list{lines: lines, handed: func() { handed.Add(1) }}); err != nil {
					t.Fatal(err)
				}
				x.wait(EventDone)
				if got := x.board.record(); !slices.Equal(got, lines) {
					t.Errorf("window %d, %s: the board took %q", window, word, got)
				}
			})
		}
	}
}

// withWords returns a program with a line number word every so often.
func withWords(n int, words ...string) []string {
	lines := program1(n)
	for i, w := range words {
		lines[(i+1)*n/(len(words)+1)] = w
	}
	return lines
}

// TestBarrier: words that set the line number, also damaged, lost, unanswered.
// The board starts counting again under the same numbers.
func TestBarrier(t *testing.T) {
	words := []string{"M110 N0", "M110 N500", "m110 N499999999", "M110 N12"}
	for _, window := range []int{0, 200} {
		for _, advanced := range []bool{false, true} {
			for damaged := -1; damaged < 12; damaged++ {
				for _, reply := range []string{"", "lost", "garbled", "doubled"} {
					t.Run(fmt.Sprintf("%d/%v/%d/%s", window, advanced, damaged, reply), func(t *testing.T) {
						within(t, func() *board {
							b := newBoard()
							b.advanced = advanced
							seen := 0
							b.toBoard = func(i int, f []byte) []byte {
								if bytes.Contains(bytes.ToUpper(f), []byte("M110")) {
									if seen++; seen-1 == damaged%6 {
										if damaged < 6 {
											return flip(f)
										}
										return nil
									}
								}
								return f
							}
							b.toHost = func(s string) string {
								b.mu.Lock()
								defer b.mu.Unlock()
								if len(b.taken) > 0 && strings.HasPrefix(strings.ToUpper(b.taken[len(b.taken)-1]), "M110") && strings.HasPrefix(s, "ok") {
									switch reply {
									case "lost":
										return ""
									case "garbled":
										return "\xfek\n"
									case "doubled":
										return s + s
									}
								}
								return s
							}
							return b
						}, Options{WindowBytes: window, BootWait: -1}, func(x *bench) {
							x.wait(EventSynced)
							lines := withWords(60, words...)
							x.board.mu.Lock()
							x.board.taken = nil
							x.board.mu.Unlock()
							if err := x.conn.Run(7, &list{lines: lines}); err != nil {
								t.Fatal(err)
							}
							x.wait(EventDone)
							got := x.board.record()
							// Setting the number twice is the same as setting it once.
							for i := len(got) - 1; i > 0; i-- {
								if got[i] == got[i-1] && strings.HasPrefix(strings.ToUpper(got[i]), "M110") {
									got = append(got[:i], got[i+1:]...)
								}
							}
							if reply == "lost" && len(got) > 0 && got[0] == "M110 N9" {
								got = got[1:]
							}
							for i := range lines {
								lines[i] = strings.Replace(lines[i], "m110", "M110", 1)
							}
							x.same(got, lines)
						})
					})
				}
			}
		}
	}
}

// TestNumberLimit: numbering begins again before the board's count overflows.
func TestNumberLimit(t *testing.T) {
	within(t, newBoard, Options{WindowBytes: 200, BootWait: -1}, func(x *bench) {
		x.wait(EventSynced)
		lines := append([]string{"M110 N999999989"}, program1(30)...)
		if err := x.conn.Run(1, &list{lines: lines}); err != nil {
			t.Fatal(err)
		}
		x.wait(EventDone)
		want := append(append(append([]string{}, lines[:11]...), "M110 N9"), lines[11:]...)
		x.same(x.board.record(), want)
		if x.board.last != 29 {
			t.Errorf("board counts %d, want 29", x.board.last)
		}
	})
}

// TestBadText: what cannot be sent ends the program, not the connection.
func TestBadText(t *testing.T) {
	for _, text := range []string{"", "  ", "G1 X1*33", "G1\nX1", "G1\x00X1", "M110", "M110 N-1", "M110 N9999999999", strings.Repeat("G", 300)} {
		within(t, newBoard, Options{WindowBytes: 128, BootWait: -1}, func(x *bench) {
			x.wait(EventSynced)
			lines := append(program1(5), text, "G28")
			src := &list{lines: lines}
			if err := x.conn.Run(4, src); err != nil {
				t.Fatal(err)
			}
			e := x.wait(EventFailed)
			if e.ID != 4 || e.Err == nil || src.accepted != 5 {
				t.Errorf("%q: %+v, accepted %d", text, e, src.accepted)
			}
			x.same(x.board.record(), lines[:5])
			x.conn.SendControl(9, text)
			if e := x.wait(EventFailed); e.ID != 9 {
				t.Errorf("ask: %+v", e)
			}
			x.stream(program1(3))
		})
	}
}

func TestSourceFails(t *testing.T) {
	within(t, newBoard, Options{WindowBytes: 128, BootWait: -1}, func(x *bench) {
		x.wait(EventSynced)
		if err := x.conn.Run(4, &list{lines: program1(20), fail: errSource}); err != nil {
			t.Fatal(err)
		}
		if err := x.conn.Run(5, &list{}); !errors.Is(err, ErrBusy) {
			t.Errorf("second run: %v", err)
		}
		if e := x.wait(EventFailed); !errors.Is(e.Err, errSource) {
			t.Errorf("failed: %v", e.Err)
		}
		x.stream(program1(20))
	})
}

// TestCancel: nothing more is taken from the source, and what was numbered is
// settled, also when a line is damaged meanwhile.
func TestCancel(t *testing.T) {
	for n, at := range []int{0, 1, 10, 39, 0, 1, 2, 3, 4, 5, 10, 37} {
		window := []int{200, 0}[min(n/4, 1)] // without one, a line waits for its number until the board has taken the last
		within(t, func() *board {
			b := newBoard()
			b.lineTime = 50 * time.Millisecond
			b.toBoard = hurt(flip, at+4)
			return b
		}, Options{WindowBytes: window, BootWait: -1}, func(x *bench) {
			x.honest = true
			x.wait(EventSynced)
			src := &list{lines: program1(40)}
			src.taken = func(s *list) {
				if s.accepted == at {
					x.conn.Cancel()
				}
			}
			if err := x.conn.Run(4, src); err != nil {
				t.Fatal(err)
			}
			if at == 0 {
				x.conn.Cancel()
			}
			e := x.wait(EventCancelled, EventDone)
			got := x.board.record()
			if e.Kind != EventCancelled || len(got) != src.accepted || src.next != src.accepted {
				t.Errorf("%v: board took %d, reported %d, handed out %d", e.Kind, len(got), src.accepted, src.next)
			}
			x.same(got, src.lines[:len(got)])
			x.stream(program1(5))
			x.conn.Cancel() // nothing runs: nothing happens
			x.stream(program1(5))
		})
	}
}

// TestGarbledSoon: a garbled line that may have been the ok is not waited out.
func TestGarbledSoon(t *testing.T) {
	within(t, func() *board {
		b := newBoard()
		n := 0
		b.toHost = func(s string) string {
			if n++; n == 20 {
				return "o\xeb\n"
			}
			return s
		}
		return b
	}, Options{BootWait: -1}, func(x *bench) {
		x.wait(EventSynced)
		began := time.Now()
		x.stream(program1(50))
		if took := time.Since(began); took < garbledReplyLimit || took > 5*time.Second {
			t.Errorf("took %v", took)
		}
	})
}

// TestBusy: a long command with signs of life is waited for, however long; a lost
// ok is found out although the board reports by itself.
func TestBusy(t *testing.T) {
	cases := []struct {
		name    string
		every   time.Duration
		say     string
		for_    time.Duration
		loseOK  bool
		within  time.Duration
		timeout uint64
	}{
		{"busy", 2 * time.Second, "echo:busy: processing", 30 * time.Minute, false, 31 * time.Minute, 0},
		{"heating", time.Second, "T:%d.0 /200.0 B:20.0 /60.0 @:127 B@:127", 20 * time.Second, false, 22 * time.Second, 0},
		{"silent but done", 0, "", 25 * time.Second, false, 40 * time.Second, 1},
		{"ok lost, nothing more", 0, "", 0, true, 15 * time.Second, 1},
		{"ok lost, reports go on", time.Second, "T:20.0 /0.0", 0, true, 35 * time.Second, 1},
		{"ok lost, wait", time.Second, "wait", 0, true, 3 * time.Second, 1},
	}
	for _, c := range cases {
		for _, window := range []int{0, 200} {
			t.Run(fmt.Sprintf("%s/%d", c.name, window), func(t *testing.T) {
				within(t, func() *board {
					b := newBoard()
					lost := false
					b.execute = func(b *board, text string) {
						if text != "M400" {
							return
						}
						lost = c.loseOK
						for began := time.Now(); c.every > 0 && time.Since(began) < c.for_; {
							time.Sleep(c.every)
							b.say("%s", strings.Replace(c.say, "%d", "99", 1))
						}
						if c.every == 0 {
							time.Sleep(c.for_)
						}
					}
					b.toHost = func(s string) string {
						if lost && strings.HasPrefix(s, "ok") {
							lost = false
							return ""
						}
						return s
					}
					return b
				}, Options{WindowBytes: window, BootWait: -1}, func(x *bench) {
					x.wait(EventSynced)
					stop := make(chan struct{})
					defer close(stop)
					if c.loseOK && c.every > 0 {
						go func() {
							for {
								select {
								case <-time.After(c.every):
									x.board.tx <- []byte(c.say + "\n")
								case <-stop:
									return
								}
							}
						}()
					}
					began := time.Now()
					x.stream(append(program1(10), "M400"))
					if took := time.Since(began); took < c.for_ || took > c.within {
						t.Errorf("took %v, want up to %v", took, c.within)
					}
					if s := x.conn.Stats(); s.Timeouts < c.timeout || (c.timeout == 0 && s.Timeouts > 0) {
						t.Errorf("timeouts %d, want %d", s.Timeouts, c.timeout)
					}
				})
			})
		}
	}
}

// TestBusyUnheard: a board is at something long, its receive buffer holds the lines sent ahead, and what it says of being
// busy is damaged or is not said. What became of the lines is asked, but questions have no more room than lines do.
func TestBusyUnheard(t *testing.T) {
	cases := []struct {
		name string
		say  []string // one after the other, one a second
		over int      // bytes that may find the buffer full
	}{
		{"busy, one in two damaged", []string{"busy: processing", "bu\xf3y: pro\xe3essing"}, 0},
		{"busy, two in three damaged", []string{"busy: processing", "buqy: processing", "b\xf5sy: procussing"}, 0},
		{"reports", []string{"T:99.0 /200.0 B:20.0 /60.0"}, 5 * 21},
		{"nonsense", []string{"T:9\xb9.0 /2\xb00.0", "B:60.0"}, 5 * 21},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			within(t, func() *board {
				b := newBoard()
				b.rxSize, b.over = smallestBuffer, c.over
				b.execute = func(b *board, text string) {
					for n := 0; text == "M190 S60" && n < 300; n++ {
						time.Sleep(time.Second)
						b.say("%s", c.say[n%len(c.say)])
					}
				}
				return b
			}, Options{WindowBytes: smallestBuffer - 2, BootWait: -1, QuietFor: 300 * time.Millisecond, ReplyLimit: 3 * time.Second}, func(x *bench) {
				x.wait(EventSynced)
				x.stream(append(append(program1(10), "M190 S60"), program1(10)...))
			})
		})
	}
}
