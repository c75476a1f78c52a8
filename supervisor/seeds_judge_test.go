package supervisor

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor/ledger"
)

// judgeStream compares the record with the notes: nothing missing, doubled or
// altered. At rest every line handed out must have been executed.
func (w *world) judgeStream(record []rig.Executed, atRest bool) {
	w.notes.mu.Lock() // at rest the run still requests readings
	defer w.notes.mu.Unlock()
	if len(w.notes.links) == 0 {
		if len(record) > 0 {
			w.wrong("the machine executed %q and nobody spoke to it", record[0].Text)
		}
		return
	}
	f := &follower{links: w.notes.links}
	f.reach(spot{}, 0)
	w.letIn, w.inPlace, w.acted = 0, 0, 0
	for i, e := range record {
		if i > 0 && strings.HasPrefix(e.Text, "M110 N") && e.Text == record[i-1].Text && e.Number == record[i-1].Number {
			continue // a board accepts this line whatever its count; twice in a row is once
		}
		before := f.at
		ok, altered := f.take(e)
		if !ok && w.notes.cooled(e) {
			f.at = before
			continue
		}
		if altered {
			w.letIn++
			if e.Number >= 0 {
				w.inPlace++
			}
			if e.Number >= 0 || !e.Unknown {
				w.acted++ // a number of a checksum alone, say, is no command
			}
		}
		if !ok {
			w.wrong("line %d of the record, N%d %q at %v, is not what comes next: %s; before it %s",
				i, e.Number, e.Text, e.At, f.want(before), texts(record[max(0, i-4):i]))
			return
		}
	}
	if !atRest {
		return
	}
	last := len(f.links) - 1
	for _, s := range f.at {
		if s.link == last && s.program == len(f.links[last].programs) {
			return
		}
	}
	w.wrong("the machine rests %s, and of what was handed out it has not executed %s", w.rest, f.want(f.at))
}

// judgeRest checks the machine where it has come to rest.
func (w *world) judgeRest() {
	switch w.rest {
	case Aborted, Stopped:
		// A cable may be out: it is tried again until the heaters are known to be off.
		for begun := time.Now(); ; time.Sleep(time.Minute) {
			_, nozzle, _, bed := w.rig.Temperatures()
			if nozzle == 0 && bed == 0 {
				break
			}
			if time.Since(begun) > restBound {
				s := w.sup.Snapshot()
				w.told = s.Heat.Unsure || strings.Contains(s.Cause.Text, "could NOT be confirmed off")
				w.hotRest = fmt.Sprintf("%s with heaters at %.0f and %.0f °C: %s; link %q", w.rest, nozzle, bed, s.Cause.Text, s.Line.Problem)
				break
			}
		}
	case Complete, Held, Suspended:
		if w.rig.Figures().Halted {
			w.judgeHalted()
			return
		}
		w.judgeStream(w.rig.Record(), true)
	}
	if w.wide != nil && w.rest != Aborted && w.rest != Stopped {
		w.judgePeace()
	}
}

// judgeHalted waits until a run at rest notices that its board has just halted: the board owes it a
// reading that will never come. The run must not stay at rest as before.
func (w *world) judgeHalted() {
	for begun := time.Now(); w.sup.Snapshot().State == w.rest; time.Sleep(time.Second) {
		if time.Since(begun) > haltBound {
			w.wrong("the board has halted, and the machine rests %s as if it had not", w.rest)
			return
		}
	}
	if w.rest = w.await(); w.rest != Aborted && w.rest != Stopped {
		w.wrong("the board has halted, and the machine came to rest %s", w.rest)
		return
	}
	w.judgeRest()
}

// haltBound is how long a run may rest with a halted board: the longest silence that a drawn scene
// allows, a reading requested before it, and the query after it.
const haltBound = 5 * time.Minute

// judge checks everything once the last process has ended.
func (w *world) judge() {
	record := w.rig.Record()
	w.figures = w.rig.Figures()
	w.judgeStream(record, false)
	for _, lot := range w.lots {
		w.judgeCount(lot, record)
	}
	if w.slow != "" && w.acted == 0 && !w.heatCalled() { // a feed lost by damage may make a move take hours
		w.wrong("%s", w.slow)
	}
	if w.hotRest != "" {
		// A line altered by damage can make a board wait forever for somebody. If it accepts no
		// emergency command, reporting that is all that can be done; likewise where a dead heater or
		// sensor keeps it in a wait of its own.
		if (w.acted > 0 || w.heatCalled()) && w.told {
			w.hot++
		} else {
			w.wrong("%s", w.hotRest)
		}
	}
	if f := w.figures; f.Overflows > 0 && !w.mayOverflow() {
		w.wrong("the receive buffer of %d bytes ran over %d times with a window of %d", w.scene.rig.Board.ReceiveBuffer, f.Overflows, w.set.Conn.WindowBytes)
	}
	w.judgeBelt()
	if w.alone > 0 && len(w.gone) != w.alone {
		w.wrong("it went on by itself %d times, and should have gone on %d times", len(w.gone), w.alone)
	}
	if w.wide != nil {
		w.judgeTravel()
	}
	if w.acted == 0 {
		for _, text := range []string{w.peace, w.cooledHot} {
			if text != "" {
				w.wrong("%s", text)
			}
		}
		for _, g := range w.gone {
			w.problems = append(w.problems, g.wrong...)
		}
	}
	if w.unchecked {
		return
	}
	problems, err := w.ledger.Check(context.Background())
	if err != nil || len(problems) > 0 {
		w.wrong("ledger: %v %v", problems, err)
	}
}

// judgeBelt checks whether the head ran into something on the belt, laid one part on another, or tried
// to push cold filament. Lines altered by damage that no checksum shows are not our fault.
func (w *world) judgeBelt() {
	f := w.figures
	if w.acted > 0 {
		return
	}
	if f.Collisions > 0 {
		w.wrong("the head ran into %d parts: %v", f.Collisions, f.Damage)
	}
	if f.ColdExtrusions > 0 && !w.heatFailed() {
		w.wrong("cold filament was to be pushed %d times", f.ColdExtrusions)
	}
	if f.LaidOn > 0 {
		w.wrong("a part was begun on another %d times", f.LaidOn)
	}
}

// mayOverflow reports whether the buffer can overflow though the window is kept: it is smaller than
// configured; or bytes were sent beside the numbered lines; or the board stopped reading, by itself or
// by a line that damage had altered, so that a query had to be sent on top of what it had not read; or
// bytes were delayed in transit for longer than the line was quiet, and arrived together with those
// sent after them.
func (w *world) mayOverflow() bool {
	stood := w.figures.Faults["silence"]+w.figures.Faults["busy"] > 0 || w.scene.rig.Board.Busy == 0
	beside := slices.ContainsFunc(w.notes.links, func(l *linkNotes) bool { return len(l.urgent) > 0 })
	return w.small || stood || beside || w.figures.Faults["delay"] > 0 || w.acted > 0
}

// judgeCount compares the ledger's count with the bodies that the machine has completed: never one
// more, and none lost.
func (w *world) judgeCount(lot int64, record []rig.Executed) {
	if lot == 0 {
		return
	}
	cycles, err := w.ledger.Cycles(context.Background(), lot)
	if err != nil {
		w.wrong("%v", err)
		return
	}
	whole := 0
	for _, c := range cycles {
		at, done := w.made(record, c.EndNumber, w.kept.cycles[c.Seq])
		if done {
			whole++
		}
		switch c.State {
		case ledger.CycleStateMade, ledger.CycleStateDischarged:
			if c.Evidence == ledger.EvidenceLineNumber {
				at, done = w.accepted(record, c.EndNumber, w.kept.cycles[c.Seq])
			}
			if counted := w.kept.made[c.Seq]; !done || counted < at {
				w.wrong("part %d was counted at %v, and the machine had made it to its end at %v (%t)", c.Ordinal, counted, at, done)
			}
		case ledger.CycleStateVoid:
			if done {
				w.wrong("part %d was given up as not yet laid, and the machine made it to its end at %v", c.Ordinal, at)
			}
		case ledger.CycleStateBegun:
			w.wrong("part %d is neither made nor interrupted", c.Ordinal)
		}
	}
	counts, err := w.ledger.Counts(context.Background(), lot)
	if err != nil {
		w.wrong("%v", err)
		return
	}
	w.void += counts.Void
	if interrupted := counts.CyclesBegun - counts.Confirmed; counts.Confirmed > whole || counts.Confirmed+interrupted < whole {
		w.wrong("the ledger counts %d made and %d interrupted; the machine made %d whole", counts.Confirmed, interrupted, whole)
	}
	early := w.wide != nil || slices.ContainsFunc(w.acts, func(a act) bool { return a.what == "complete" })
	if w.rest == Complete && !early && counts.Confirmed != counts.Ordered {
		w.wrong("complete with %d made of %d ordered", counts.Confirmed, counts.Ordered)
	}
}

// made returns when all moves had ended after the last line of a part, if they have, without a restart
// in between. Lines before the part was begun do not count, whatever their number: if a run was
// interrupted at the end of a part, the queries of a long wait are numbered on from there, and pass
// the next part's number.
func (w *world) made(record []rig.Executed, end int64, begun time.Duration) (time.Duration, bool) {
	i := slices.IndexFunc(record, func(e rig.Executed) bool { return e.Number == end && e.At >= begun })
	if i < 0 {
		return 0, false
	}
	for _, e := range record[i:] {
		if slices.ContainsFunc(w.figures.ResetAt, func(t time.Duration) bool { return record[i].At < t && t <= e.At }) {
			return 0, false
		}
		if e.Text == "M400" && e.Number > end {
			return e.Ended, e.Ended > 0
		}
		if e.Damaged && e.Number == end+1 {
			return e.Ended, e.Ended > 0 // the wait for motion, altered within its checksum
		}
	}
	return 0, false
}

// accepted returns when the moves of a part's last line had ended. A process that was killed behind that line has not sent
// the wait for motion, and the board's number is the proof.
func (w *world) accepted(record []rig.Executed, end int64, begun time.Duration) (time.Duration, bool) {
	i := slices.IndexFunc(record, func(e rig.Executed) bool {
		return e.Number == end && e.At >= begun && !strings.HasPrefix(e.Text, "M104") && !strings.HasPrefix(e.Text, "M110")
	})
	if i < 0 {
		return 0, false
	}
	return record[i].Ended, true
}

// kept is the ledger of a seed, with the machine time at which each part was begun, and was counted.
type kept struct {
	*ledger.Ledger
	fail   atomic.Int32 // so many commits are refused
	begun  time.Time
	cycles map[int64]time.Duration // by the number of the cycle
	made   map[int64]time.Duration
	watch  func(ledger.Record)
}

// Commit implements Ledger.
func (k *kept) Commit(ctx context.Context, records ...ledger.Record) error {
	for _, r := range records {
		k.watch(r)
		switch c := r.(type) {
		case ledger.CycleBegun:
			k.cycles[c.Seq] = time.Since(k.begun)
		case ledger.CycleMade:
			k.made[c.Seq] = time.Since(k.begun)
		}
	}
	return k.Ledger.Commit(ctx, records...)
}
