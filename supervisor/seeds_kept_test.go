package supervisor

import (
	"math/rand/v2"
	"testing"
	"time"

	"beltwarden/serialio/rig"
)

// keptScenes are scenes in which a campaign found an error. They are written out, since a seed means
// another scene once the draw has changed.
var keptScenes = []struct {
	why    string
	board  string
	window int
	reply  time.Duration // limit, 0 the usual one
	faults []string
	acts   []act
	job    int    // of the pool
	seed   uint64 // the first
	runs   uint64 // with as many seeds of the faults
	more   func(*scene)
}{
	{why: "heaters were left on: stopped by the operator while the cable was out, by a process that did not know of the fault before its time",
		board: "bang", faults: []string{"unplug@line=40,for=12m"},
		acts: []act{{what: "restart", after: 5 * time.Minute, lines: 1 << 30}, {what: "stop", after: 5 * time.Second, lines: 1 << 30}}, runs: 1},
	{why: "a line that sets the number is taken twice when its ok is late, which is no harm and must not count as any",
		board: "no-ok", window: 120, reply: 3 * time.Second, faults: []string{"delay@rate=0.004,for=2854ms,way=host"}, runs: 10},
	{why: "a part was counted while its last stroke was still under way: the board had taken the wait for motion, and said nothing for longer than the reply limit",
		board: "silent", window: 100, reply: 3 * time.Second, job: slowJob, runs: 1},
	{why: "the same, where the board's first word on where it stands was damaged, so that it was taken for one that does not tell",
		board: "silent", reply: 3 * time.Second, faults: []string{"double@rate=0.03,way=host"}, job: slowJob, runs: 20},
	{why: "heaters were left on: words damaged twice looked like a restart, which was believed to have switched them off",
		board: "bare", window: 98, faults: []string{"lose-resend@rate=0.1139", "flip@rate=0.001,way=board", "lose-ok@rate=0.0213", "flip@rate=0.0033"}, seed: 146, runs: 1},
	{why: "cold filament was to be drawn back: one digit of a reading came twice, and 66 °C was 662",
		board: "no-ok", faults: []string{"lose-resend@rate=0.198499465187492", "flip@rate=0.001,way=board", "double@rate=0.0031101007181887673", "flip@rate=0.00013464305165494092"},
		acts: []act{{what: "hold", after: 5158687 * time.Microsecond, lines: 1 << 30}},
		job:  11, seed: 7009127, runs: 1, more: func(s *scene) { asDrawn(s, 1000000, 319*time.Microsecond, 1320*time.Millisecond) }},
	{why: "the judge said that the head ran into a part: damage had made a move of a line that does not begin like one",
		board: "bare", window: 120, faults: []string{"delay@rate=0.003952244935649521,for=637ms", "double@rate=0.0002818633503943777", "flip@rate=0.007712737098213932,way=board"},
		job: 19, seed: 7007023, runs: 1, more: func(s *scene) {
			asDrawn(s, 250000, 1925*time.Microsecond, 849*time.Millisecond)
			s.small, s.rig.Board.ReceiveBuffer = true, 71
		}},
	{why: "the ledger said that the belt had run where it had not: the process was killed while it aborted, and the next one opened the port, at which the board forgot moves that it had taken",
		board: "alone", acts: []act{{what: "abort", when: "making part"}, {what: "kill", when: "Aborting"}}, job: 18, runs: 1, more: travels},
	{why: "the ledger knew nothing of the way that the belt had run over the drop edge: the cable came out there, and the process ended before it was back",
		board: "alone", acts: []act{{what: "unplug", wait: 3 * time.Second, when: "running", for_: time.Minute, cold: true}, {what: "restart", when: "Aborting"}}, job: 18, runs: 1, more: travels},
	{why: "the ledger said too little of the belt's way to be in doubt: the process was killed while it moved off the first part of a further job, before which its lead-in had run",
		board: "alone", acts: []act{{what: "room", when: "making part 2"}, {what: "kill", when: "advancing", wait: 500 * time.Millisecond}}, job: 18, runs: 1, more: func(s *scene) {
			travels(s)
			s.jobs, s.good = s.jobs[:2], []int{1, 1}
		}},
}

// travels turns on the judgement of the belt's travel.
func travels(s *scene) {
	asDrawn(s, 1000000, time.Millisecond, time.Second)
	s.wide, s.persist = s.rng, 1
}

// asDrawn gives a scene the machine that [draw] makes: small heaters, and limits of a fast line.
func asDrawn(s *scene, baud int, latency, boot time.Duration) {
	smallHeaters(s)
	s.set.Port.BaudRate, s.rig.Board.Latency, s.rig.Board.BootTime = baud, latency, boot
	s.set.Conn.ReplyLimit, s.set.Conn.SilenceLimit = 3*time.Second, 20*time.Second
}

// TestSeedsKept plays the scenes that once failed.
func TestSeedsKept(t *testing.T) {
	t.Parallel()
	boards, _ := boardTable()
	pool, plans := seedPool(t)
	for _, k := range keptScenes {
		t.Run(k.board, func(t *testing.T) {
			for seed := k.seed; seed < k.seed+k.runs; seed++ {
				s := &scene{seed: seed, board: k.board, rig: testRig(), set: testSettings(), jobs: pool[k.job : k.job+1], good: []int{2}, order: "blocks",
					acts: k.acts, rng: rand.New(rand.NewPCG(seed, 0))}
				s.rig.Board, s.rig.Seed = boards[k.board], seed
				s.rig.ReadTimeout = time.Minute
				s.set.Conn.WindowBytes, s.set.Conn.ReplyLimit = k.window, k.reply
				for _, text := range k.faults {
					f, err := rig.ParseFault(text)
					if err != nil {
						t.Fatal(err)
					}
					s.rig.Faults = append(s.rig.Faults, f)
				}
				if k.more != nil {
					k.more(s)
				}
				if w := playSeed(t, s, plans); len(w.problems) > 0 {
					t.Logf("kept because %s", k.why)
				}
			}
		})
	}
}
