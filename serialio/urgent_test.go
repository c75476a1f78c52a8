package serialio

import (
	"bytes"
	"math/rand/v2"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// slowPort takes as long for a Write as its bytes take on a wire of 250000 baud, as
// a driver without a buffer does, and keeps when each began.
type slowPort struct {
	*board
	mu     sync.Mutex
	writes []write
}

type write struct {
	begin, end time.Time
	data       []byte
}

func (p *slowPort) Write(b []byte) (int, error) {
	begin := time.Now()
	time.Sleep(time.Duration(len(b)) * 40 * time.Microsecond)
	p.mu.Lock()
	p.writes = append(p.writes, write{begin, time.Now(), bytes.Clone(b)})
	p.mu.Unlock()
	return p.board.Write(b)
}

// TestNothingGoesAheadOfUrgentWords: with the window full, and lines waiting in the
// writer behind a Write in progress, the next Write is the urgent words.
func TestNothingGoesAheadOfUrgentWords(t *testing.T) {
	backlog := 0
	for seed := range uint64(16) {
		synctest.Test(t, func(t *testing.T) {
			b := newBoard()
			b.lineTime = 100 * time.Microsecond // the wire is the limit
			p := &slowPort{board: b}
			window := []int{0, 64, 128, 1024}[seed%4]
			c := NewConn(p, Options{WindowBytes: window, BootWait: -1})
			var served sync.WaitGroup
			served.Go(b.serve)
			defer func() { c.Close(); b.Close(); served.Wait() }()
			x := &bench{t: t, board: b, conn: c}
			x.wait(EventSynced)
			rng := rand.New(rand.NewPCG(seed, 1))
			src := &list{lines: program1(8000)}
			if err := c.Run(7, src); err != nil {
				t.Fatal(err)
			}
			for range 20 {
				time.Sleep(400*time.Millisecond + time.Duration(rng.IntN(50_000))*time.Microsecond)
				p.mu.Lock()
				before := len(p.writes)
				p.mu.Unlock()
				c.w.mu.Lock()
				if len(c.w.lines) > 0 {
					backlog++
				}
				c.w.mu.Unlock()
				called := time.Now()
				c.Urgent([]byte("M108\n"))
				time.Sleep(100 * time.Millisecond)
				p.mu.Lock()
				after := p.writes[before:]
				p.mu.Unlock()
				if len(after) > 0 && after[0].begin.Before(called) {
					after = after[1:] // it was in progress
				}
				if len(after) == 0 || string(bytes.TrimPrefix(after[0].data, []byte("\n"))) != "M108\n" {
					t.Fatalf("seed %d, window %d: ahead of the urgent words went %+v", seed, window, after)
				}
			}
			if src.next == len(src.lines) {
				t.Errorf("seed %d: the program ended too soon", seed)
			}
		})
	}
	if backlog < 30 {
		t.Errorf("lines waited behind a Write in progress %d times: the case was hardly met", backlog)
	}
}
