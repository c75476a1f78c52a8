package serialio

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

// hurt damages the frames with the given indices (counted by the board, from 0;
// the question at the start is 0 and the first line number word 1).
func hurt(how func([]byte) []byte, which ...int) func(int, []byte) []byte {
	return func(i int, f []byte) []byte {
		for _, w := range which {
			if i == w {
				return how(f)
			}
		}
		return f
	}
}

func flip(f []byte) []byte { f[len(f)/2] ^= 0x11; return f }
func drop([]byte) []byte   { return nil }
func cutEnd(f []byte) []byte {
	return f[:len(f)-1]
}

// TestDamagedLines: a damaged line in every place, for every way of asking for
// it again. The promise is the same for all: each line once, in order.
func TestDamagedLines(t *testing.T) {
	spellings := []string{"Resend: %d", "Resend:%d", "rs %d", "rs N%d", "resend: N%d"}
	damage := map[string]func([]byte) []byte{"flipped": flip, "lost": drop, "no line end": cutEnd}
	for si, spelling := range spellings {
		for _, noOK := range []bool{false, true} {
			for _, keep := range []bool{false, true} {
				for _, window := range []int{0, 128, 512} {
					for name, how := range damage {
						for _, at := range []int{0, 1, 2, 3, 40, 101} {
							title := fmt.Sprintf("%d/noOK=%v/keep=%v/window=%d/%s/%d", si, noOK, keep, window, name, at)
							t.Run(title, func(t *testing.T) {
								within(t, func() *board {
									b := newBoard()
									b.resend, b.noOK, b.keepUnread, b.advanced = spelling, noOK, keep, si == 3
									b.rxSize = max(window, 128)
									b.lineTime = 2 * time.Millisecond
									b.toBoard = hurt(how, at, at+30)
									return b
								}, Options{WindowBytes: window, BootWait: -1}, func(x *bench) {
									x.honest = true
									x.wait(EventSynced)
									x.stream(program1(100))
									if s := x.conn.Stats(); name == "flipped" && at > 1 && s.Resends == 0 {
										t.Errorf("no resend counted: %+v", s)
									}
								})
							})
						}
					}
				}
			}
		}
	}
}

// TestLateAnswers: the board has taken lines whose ok comes long after a later
// line was rejected, as its planner empties. They must not be counted for others.
func TestLateAnswers(t *testing.T) {
	within(t, func() *board {
		b := newBoard()
		b.lineTime = 300 * time.Millisecond
		b.queue = 3
		b.toBoard = hurt(flip, 14, 29)
		return b
	}, Options{WindowBytes: 256, BootWait: -1}, func(x *bench) {
		x.wait(EventSynced)
		src := &list{lines: program1(40)}
		if err := x.conn.Run(7, src); err != nil {
			t.Fatal(err)
		}
		for x.conn.Stats().Resends < 2 {
			time.Sleep(50 * time.Millisecond)
		}
		x.conn.SendControl(8, "M105")
		if e := x.wait(EventDone); e.ID != 8 {
			t.Fatalf("first to end: %+v", e)
		}
		// Had an ok been counted for another line, the end of the question would
		// be reported before its answer.
		if len(x.events) < 2 || !x.events[len(x.events)-2].Reply.Temps.HasNozzle {
			t.Errorf("no temperatures before the end of the question")
		}
		x.wait(EventDone)
		x.same(without(x.board.record(), "M105"), src.lines)
	})
}

func without(lines []string, word string) []string {
	return slices.DeleteFunc(lines, func(s string) bool { return s == word })
}

// TestReplies: what may happen to a reply on its way.
func TestReplies(t *testing.T) {
	once := func(match string, to func(string) string, at int) func(string) string {
		n := 0
		return func(s string) string {
			if strings.HasPrefix(s, match) {
				n++
				if n == at {
					return to(s)
				}
			}
			return s
		}
	}
	cases := map[string]func(string) string{
		"ok lost":       func(string) string { return "" },
		"ok garbled":    func(string) string { return "o\xebk\x00\n" },
		"ok cut":        func(string) string { return "k\n" },
		"ok joined":     func(string) string { return "ok" },
		"ok doubled":    func(s string) string { return s + s },
		"binary":        func(s string) string { return "\x00\xff\x80\x01\n" + s },
		"long":          func(s string) string { return strings.Repeat("x", 1<<20) + "\n" + s },
		"long binary":   func(s string) string { return strings.Repeat("\xf0\x00", 1<<19) + "\r\n" + s },
		"carriage":      func(s string) string { return "\r\n" + strings.TrimSpace(s) + "\r" },
		"chatter":       func(s string) string { return "echo:hello\n// hello\nT:20.1 /0.0\nsomething else\n" + s },
		"odd request":   func(s string) string { return "Resend: 77777\n" + s },
		"old request":   func(s string) string { return "Resend: 2\n" + s },
		"broken resend": func(s string) string { return "Resend: 1x\n" + s },
	}
	for name, to := range cases {
		for _, window := range []int{0, 200} {
			for _, advanced := range []bool{false, true} {
				for _, at := range []int{1, 2, 3, 25, 49, 50, 51, 52} {
					t.Run(fmt.Sprintf("%s/window=%d/advanced=%v/%d", name, window, advanced, at), func(t *testing.T) {
						within(t, func() *board {
							b := newBoard()
							b.advanced = advanced
							b.lineTime = time.Millisecond
							b.toHost = once("ok", to, at)
							return b
						}, Options{WindowBytes: window, BootWait: -1}, func(x *bench) {
							x.wait(EventSynced)
							x.stream(program1(50))
							x.stream(program1(5))
						})
					})
				}
			}
		}
	}
}

// TestLostRequest: the request to send again is damaged as well, or lost.
func TestLostRequest(t *testing.T) {
	for _, to := range []string{"", "R\xe5send: 5\n", "Resend: 9\n", "Resend: 3\n", "Resend:\n"} {
		for _, window := range []int{0, 200} {
			for _, noOK := range []bool{false, true} {
				t.Run(fmt.Sprintf("%q/%d/%v", to, window, noOK), func(t *testing.T) {
					within(t, func() *board {
						b := newBoard()
						b.noOK = noOK
						b.toBoard = hurt(flip, 20, 51)
						n := 0
						b.toHost = func(s string) string {
							if strings.HasPrefix(s, "Resend") {
								if n++; n == 2 || n == 4 {
									return to
								}
							}
							return s
						}
						return b
					}, Options{WindowBytes: window, BootWait: -1}, func(x *bench) {
						x.wait(EventSynced)
						x.stream(program1(50))
					})
				})
			}
		}
	}
}

// TestTwoDamagedNumbers: the board's number is damaged twice, each time to another one. The second is the
// number of a line before the count was set again: by it, ten lines that were taken would be sent again.
func TestTwoDamagedNumbers(t *testing.T) {
	for _, window := range []int{0, 200} {
		within(t, func() *board {
			b := newBoard()
			n := 0
			b.toHost = func(s string) string {
				if s == "Resend: 20\n" {
					if n++; n <= 2 {
						return []string{"Resend: 2\n", "Resend: 23\n"}[n-1]
					}
				}
				return s
			}
			return b
		}, Options{WindowBytes: window, BootWait: -1}, func(x *bench) {
			x.wait(EventSynced)
			lines := program1(30)
			x.stream(slices.Concat(lines[:13], []string{"M110 N9"}, lines[13:23], []string{"M110 N9"}, lines[23:]))
		})
	}
}

// TestNoise damages both directions at random for a long program: nothing may be
// lost, doubled or out of order. The seed is in the test's name.
func TestNoise(t *testing.T) {
	for seed := range uint64(60) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			within(t, func() *board {
				r := rand.New(rand.NewPCG(seed, 1))
				b := newBoard()
				b.noOK, b.keepUnread, b.advanced = r.IntN(2) == 0, r.IntN(2) == 0, r.IntN(2) == 0
				b.lineTime = time.Duration(r.IntN(20)) * time.Millisecond
				b.toBoard = func(_ int, f []byte) []byte {
					switch r.IntN(200) {
					case 0:
						f[r.IntN(len(f))] ^= byte(1 + r.IntN(255))
					case 1:
						return nil
					case 2:
						return f[:r.IntN(len(f))]
					}
					return f
				}
				b.toHost = func(s string) string {
					c := []byte(s)
					switch r.IntN(200) {
					case 0:
						c[r.IntN(len(c))] ^= byte(1 + r.IntN(255))
					case 1:
						return ""
					case 2:
						return s + s
					case 3:
						return s[:len(s)-1]
					}
					return string(c)
				}
				return b
			}, Options{WindowBytes: int(seed%4) * 64, BootWait: -1}, func(x *bench) {
				x.wait(EventSynced)
				x.stream(program1(700))
			})
		})
	}
}

// TestLost: what ends a connection, and by which name.
func TestLost(t *testing.T) {
	say := func(lines ...string) func(b *board, text string) {
		return func(b *board, text string) {
			if strings.HasPrefix(text, "G1 X5.5") {
				for _, s := range lines {
					b.say("%s", s)
				}
				if lines != nil {
					b.mute = true
				}
			}
		}
	}
	cases := []struct {
		name    string
		execute func(b *board, text string)
		want    error
	}{
		{"start", say("start", "firmware banner"), ErrReset},
		{"halted", say("Error:Machine halted. Reset it"), ErrHalted},
		{"stopped", say("Error:Machine stopped due to errors"), ErrHalted},
		{"bangs", say("!!"), ErrHalted},
		{"fatal", say("fatal: heater out of control"), ErrHalted},
		{"silent", func(b *board, text string) { b.mute = strings.HasPrefix(text, "G1 X5.5") || b.mute }, ErrSilent},
		{"unplugged", func(b *board, text string) {
			if strings.HasPrefix(text, "G1 X5.5") {
				close(b.tx)
				b.mute = true
			}
		}, ErrUnplugged},
		{"count gone", func(b *board, text string) {
			if strings.HasPrefix(text, "G1 X55.5") {
				b.last = 0
			}
		}, ErrRecount},
		{"count elsewhere", func(b *board, text string) {
			if strings.HasPrefix(text, "G1 X55.5") {
				b.last = 31415
			}
		}, ErrDesync},
	}
	for _, c := range cases {
		for _, window := range []int{0, 200} {
			t.Run(fmt.Sprintf("%s/%d", c.name, window), func(t *testing.T) {
				within(t, func() *board {
					b := newBoard()
					b.execute = c.execute
					return b
				}, Options{WindowBytes: window, BootWait: -1}, func(x *bench) {
					x.wait(EventSynced)
					if err := x.conn.Run(1, &list{lines: program1(100)}); err != nil {
						t.Fatal(err)
					}
					began := time.Now()
					e := x.wait(EventLost)
					if !errors.Is(e.Err, c.want) {
						t.Errorf("lost: %v, want %v", e.Err, c.want)
					}
					if took := time.Since(began); took > 61*time.Second {
						t.Errorf("took %v", took)
					}
					for i, s := range x.board.record() {
						if s != program1(100)[i] {
							t.Fatalf("line %d is %q", i, s)
						}
					}
					if err := x.conn.Run(2, &list{}); !errors.Is(err, c.want) {
						t.Errorf("run afterwards: %v", err)
					}
					x.conn.Urgent([]byte("M112\n"))
					time.Sleep(time.Second)
					if x.board.mu.Lock(); c.want != ErrUnplugged && (len(x.board.urgent) != 1 || x.board.urgent[0] != "M112") {
						t.Errorf("urgent words after the end: %q", x.board.urgent)
					}
					x.board.mu.Unlock()
				})
			})
		}
	}
}

// TestUnheardRestartAtTheFirstLine: a board restarts unheard just after its number was
// set. It wants line 1 now, and must not get a line of the program for it.
func TestUnheardRestartAtTheFirstLine(t *testing.T) {
	for _, window := range []int{0, 200} {
		within(t, func() *board {
			b := newBoard()
			words := 0
			b.execute = func(b *board, text string) {
				if strings.HasPrefix(text, "M110") {
					if words++; words == 2 { // the first is the connection's own
						b.last = 0
					}
				}
			}
			return b
		}, Options{WindowBytes: window, BootWait: -1}, func(x *bench) {
			x.wait(EventSynced)
			lines := append([]string{fmt.Sprintf("M110 N%d", StartNumber)}, program1(10)...)
			if err := x.conn.Run(1, &list{lines: lines}); err != nil {
				t.Fatal(err)
			}
			if e := x.wait(EventLost); !errors.Is(e.Err, ErrRecount) {
				t.Errorf("window %d: lost: %v, want %v", window, e.Err, ErrRecount)
			}
			for _, text := range x.board.record() {
				if !strings.HasPrefix(text, "M110") {
					t.Errorf("window %d: the board took %q after it had restarted", window, text)
				}
			}
		})
	}
}
