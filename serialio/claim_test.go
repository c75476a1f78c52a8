package serialio

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
)

// TestDamagedNumbers: the number in an answer is damaged so that it claims more than
// the board has taken, up to all that was sent, and lines are lost at the same time.
// A word that sets the number again must not bury them: with every program of a part
// one comes before its last line.
func TestDamagedNumbers(t *testing.T) {
	digits := regexp.MustCompile(`N?[0-9]+`)
	more := func(s string, by int) string {
		at := digits.FindStringIndex(s)
		if at == nil {
			return s
		}
		n, err := strconv.Atoi(strings.TrimPrefix(s[at[0]:at[1]], "N"))
		if err != nil {
			return s
		}
		return strings.Replace(s, s[at[0]:at[1]], strings.Repeat("N", strings.Count(s[at[0]:at[1]], "N"))+strconv.Itoa(n+by), 1)
	}
	lines := append(program1(20), "M110 N900000000", "G1 X9 Y9", "M400")
	for _, window := range []int{0, 128, 512} {
		for _, word := range []string{"Resend", "ok"} {
			for from := 15; from < 23; from++ { // the first of four lines lost
				for by := 1; by <= 8; by++ {
					for nth := 1; nth <= 3; nth++ {
						t.Run(fmt.Sprintf("window=%d/%s/%d/+%d/%d", window, word, from, by, nth), func(t *testing.T) {
							within(t, func() *board {
								b := newBoard()
								b.advanced = true
								b.lineTime = time.Millisecond
								b.toBoard = hurt(drop, from, from+1, from+2, from+3)
								n := 0
								b.toHost = func(s string) string {
									if b.received >= from && strings.HasPrefix(s, word) {
										if n++; n == nth {
											return more(s, by)
										}
									}
									return s
								}
								return b
							}, Options{WindowBytes: window, BootWait: -1}, func(x *bench) {
								x.wait(EventSynced)
								x.stream(lines)
							})
						})
					}
				}
			}
		}
	}
}
