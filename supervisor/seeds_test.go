package supervisor

import (
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/job"
)

// tally is what many seeds came to.
type tally struct {
	mu       sync.Mutex
	seeds    int
	lines    uint64
	faults   map[string]uint64
	acts     map[string]int
	outcomes map[State]int
	damaged  uint64 // lines damaged on their way to the board
	accepted uint64 // of them taken by the board all the same
	letIn    int    // of them not what was sent
	inPlace  int    // and taken in its place
	lost     uint64 // bytes that found the receive buffer full
	hot      int
	alone    int
	void     int
	opens    int
	checked  int // ledgers whose rows were checked
	failed   []uint64
}

func (s *tally) add(w *world) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.seeds++
	s.lines += w.figures.LinesExecuted
	for kind, n := range w.figures.Faults {
		s.faults[kind] += n
	}
	for _, a := range w.acts {
		s.acts[a.what]++
	}
	s.outcomes[w.rest]++
	if !w.unchecked {
		s.checked++
	}
	s.damaged += w.figures.DamagedLines
	s.accepted += w.figures.DamagedAccepted
	s.letIn += w.letIn
	s.inPlace += w.inPlace
	s.lost += w.figures.OverflowBytes
	s.hot += w.hot
	s.alone += len(w.gone)
	s.void += w.void
	s.opens += int(w.opens.Load())
	if len(w.problems) > 0 {
		s.failed = append(s.failed, w.seed)
	}
}

// boardTable is every board of the rig, and their names in order.
func boardTable() (map[string]rig.Board, []string) {
	boards := rig.Variations()
	return boards, slices.Sorted(maps.Keys(boards))
}

// slowJob is the first of the pool's jobs that end with a slow stroke.
const slowJob = 5

// seedPool writes the jobs that seeds draw from, the same at every run.
func seedPool(t *testing.T) ([]string, map[string]*job.Plan) {
	t.Helper()
	rng := rand.New(rand.NewPCG(1, 0x62777264))
	plans := map[string]*job.Plan{}
	var names []string
	dir := t.TempDir()
	for n := range 24 {
		path := filepath.Join(dir, fmt.Sprintf("peg-%d.gcode", n))
		if err := os.WriteFile(path, []byte(seedJob(rng, n%6 == slowJob)), 0o600); err != nil {
			t.Fatal(err)
		}
		p, err := job.Inspect(context.Background(), path, testJobOptions(), nil)
		if err != nil {
			t.Fatal(err)
		}
		plans[path] = p
		names = append(names, path)
	}
	return append(names, widePool(t, plans)...), plans
}

// fromEnv reads a whole number from the environment.
func fromEnv(t *testing.T, name string, other uint64) uint64 {
	text := os.Getenv(name)
	if text == "" {
		return other
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		t.Fatalf("%s=%q is not a whole number", name, text)
	}
	return n
}

// checkAll is how many seeds have every ledger checked row by row; of more, each
// fourth has, since that takes as long as the sending does.
const checkAll = 5000

// TestSeeds plays seeds: the production code against the simulated machine with
// everything going wrong that the seed draws, under virtual time, and judges each
// by the machine's own record. BELTWARDEN_SEEDS is how many, BELTWARDEN_SEED the first; without it
// one in eight is wide, and one in eight of two faults.
func TestSeeds(t *testing.T) {
	usual := uint64(400)
	if brief() {
		usual = 40
	}
	first, count := fromEnv(t, "BELTWARDEN_SEED", 0), fromEnv(t, "BELTWARDEN_SEEDS", usual)
	nth := func(n uint64) uint64 { return first + n }
	if first == 0 {
		nth = func(n uint64) uint64 {
			switch n % 8 {
			case 3:
				return wideFrom + n/8
			case 7:
				return pairFrom + n/8
			}
			return 1 + n - n/4
		}
	}
	boards, names := boardTable()
	pool, plans := seedPool(t)
	defer debug.SetGCPercent(debug.SetGCPercent(400)) // worlds are small and short-lived
	sum := &tally{faults: map[string]uint64{}, acts: map[string]int{}, outcomes: map[State]int{}}
	begun := time.Now()
	var next atomic.Uint64
	t.Run("all", func(t *testing.T) {
		for n := range runtime.GOMAXPROCS(0) {
			t.Run(strconv.Itoa(n), func(t *testing.T) {
				t.Parallel()
				for {
					n := next.Add(1) - 1
					if n >= count {
						return
					}
					s := draw(nth(n), names, boards, pool)
					s.unchecked = count > checkAll && n%4 > 0
					sum.add(playSeed(t, s, plans))
				}
			})
		}
	})
	sum.print(t, time.Since(begun))
}

// playSeed plays one seed in a bubble of its own. A goroutine that outlives it
// ends the test, which then names the seed.
func playSeed(t *testing.T, s *scene, plans map[string]*job.Plan) *world {
	defer func() {
		if p := recover(); p != nil {
			fmt.Printf("seed %d (%v): %v\n", s.seed, s, p)
			panic(p)
		}
	}()
	w := &world{scene: s, plans: plans}
	synctest.Test(t, func(*testing.T) { w.play() })
	if len(w.problems) > 0 {
		t.Errorf("seed %d: %s\n%v\nreplay: BELTWARDEN_SEED=%d BELTWARDEN_SEEDS=1 go test ./supervisor -count=1 -run 'TestSeeds$' -v",
			s.seed, strings.Join(w.problems, "\n\t"), s, s.seed)
	}
	return w
}

func (s *tally) print(t *testing.T, took time.Duration) {
	perMillion := func(n uint64) float64 { return 1e6 * float64(n) / float64(max(1, s.damaged)) }
	t.Logf("seeds: %d", s.seeds)
	t.Logf("lines executed: %d, ports opened: %d", s.lines, s.opens)
	t.Logf("faults injected: %v", s.faults)
	t.Logf("words and hands: %v", s.acts)
	t.Logf("outcomes: %v", s.outcomes)
	t.Logf("runs that could not show the heaters off, and said so: %d", s.hot)
	t.Logf("went on by itself after a fault: %d times; parts given up before anything was laid: %d", s.alone, s.void)
	t.Logf("bytes lost at a full receive buffer: %d", s.lost)
	t.Logf("damaged lines: %d; taken by the board: %d (%.0f per million); in place of what was sent: %d (%.0f per million); beside it, without a number: %d",
		s.damaged, s.accepted, perMillion(s.accepted), s.inPlace, perMillion(uint64(s.inPlace)), s.letIn-s.inPlace)
	t.Logf("ledgers checked row by row: %d", s.checked)
	t.Logf("violations: %d", len(s.failed))
	t.Logf("wall time: %.1f s", took.Seconds())
}
