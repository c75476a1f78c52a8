package supervisor

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// room sets the run's free disk space.
func (x *run) room(free int64) {
	x.t.Helper()
	if err := x.s.ReportFreeSpace(context.Background(), free); err != nil {
		x.t.Fatal(err)
	}
	synctest.Wait()
}

// reserving is a run at rest that needs 50 MB of room on its disk.
func reserving(t *testing.T) *run {
	t.Helper()
	set := testSettings()
	set.DiskReserveBytes = 50e6
	x := newRun(t, testRig(), set)
	x.start()
	x.until(Idle, time.Minute)
	return x
}

// TestADiskThatFillsUp: the part in progress is finished. Then the machine waits with its count intact
// and calls somebody with instructions, and again once there is room, but not for a few bytes. Then a
// request continues the lot.
func TestADiskThatFillsUp(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := reserving(t)
		x.room(1e9)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(pegJob)}, Good: []int{4}, Start: true}})
		x.until(Execute, time.Hour)
		time.Sleep(2 * time.Minute)
		if s := x.s.Snapshot(); s.Lot.Part != 1 || s.Supply.DiskFreeBytes == nil || *s.Supply.DiskFreeBytes != 1e9 {
			t.Fatalf("%+v %+v", s.Lot, s.Supply)
		}
		x.room(49e6)
		if s := x.s.Snapshot(); s.State != Execute || s.Lot.Part != 1 || !s.Supply.DiskLow {
			t.Fatalf("it must finish its part first: %s, %+v", s.State, s.Lot)
		}
		s := x.until(Suspended, time.Hour)
		if s.Cause.Code != CauseDisk || s.Lot.Made != 1 || s.Lot.Begun != 1 || !strings.Contains(s.Cause.Text, "49 MB are free") {
			t.Fatalf("suspended for %+v, %+v", s.Cause, s.Lot)
		}
		alerts, err := x.ledger.PendingAlerts(context.Background(), "phone", time.Now(), 0)
		if n := len(alerts); err != nil || n != 1 || alerts[0].Kind != CauseDisk || !strings.Contains(string(alerts[0].Payload), "make room on the ledger's disk") {
			t.Errorf("%v, %d alerts: %+v", err, n, alerts)
		}
		if err := x.refuse(Request{Command: Unsuspend}); !strings.Contains(err.Error(), "make room on the ledger's disk") {
			t.Errorf("the refusal says %q", err)
		}
		x.room(55e6) // more than the bound, and not enough to resume
		time.Sleep(30 * time.Minute)
		if s = x.s.Snapshot(); s.State != Suspended || s.Heat.NozzleTargetC != 0 {
			t.Errorf("after half an hour it is %s, nozzle for %v °C", s.State, s.Heat.NozzleTargetC)
		}
		x.room(70e6)
		x.room(71e6)
		time.Sleep(30 * time.Minute)
		if s = x.s.Snapshot(); s.State != Suspended || strings.Count(x.alerts(), "there is room on the disk again") != 1 {
			t.Errorf("%s without a word; told:\n%s", s.State, x.alerts())
		}
		x.do(Request{Command: Unsuspend})
		if s = x.until(Complete, 10*time.Hour); s.Lot.Made != 4 || len(x.rig.Parts()) != 4 {
			t.Errorf("%d made by the ledger, %d by the machine", s.Lot.Made, len(x.rig.Parts()))
		}
		holds, err := x.ledger.Holds(context.Background(), 1)
		if n := len(holds); err != nil || n != 1 || holds[0].Reason != CauseDisk || holds[0].How != "unsuspend" {
			t.Errorf("%v, holds %+v", err, holds)
		}
		x.stop()
	})
}

// TestNoLotBeginsOnAFullDisk. One that is already open makes another part if somebody gives a reason.
func TestNoLotBeginsOnAFullDisk(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := reserving(t)
		x.room(10e6)
		order := &LotRequest{Plans: []*job.Plan{x.plan(pegJob)}, Good: []int{2}, Start: true}
		if err := x.refuse(Request{Lot: order}); !strings.Contains(err.Error(), "10 MB are free on the ledger's disk, and 50 MB are needed") {
			t.Errorf("the refusal says %q", err)
		}
		if s := x.s.Snapshot(); s.Lot != nil || s.State != Idle {
			t.Errorf("it left %s and %+v", s.State, s.Lot)
		}
		x.room(1e9)
		order.Start = false
		x.do(Request{Lot: order})
		x.room(10e6)
		if err := x.refuse(Request{Command: Start}); !strings.Contains(err.Error(), "make room on the ledger's disk") {
			t.Errorf("the refusal says %q", err)
		}
		x.do(Request{Command: Start, Override: "the log is being moved"})
		if s := x.until(Suspended, time.Hour); s.Lot.Made != 1 || s.Cause.Code != CauseDisk {
			t.Errorf("with a reason it made %d, and waits for %+v", s.Lot.Made, s.Cause)
		}
		x.stop()
	})
}

// TestRoomComesBackAndSomethingElseIsMissing: then a request does not continue the lot.
func TestRoomComesBackAndSomethingElseIsMissing(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := reserving(t)
		x.do(Request{Lot: &LotRequest{Plans: []*job.Plan{x.plan(pegJob)}, Good: []int{4}, Start: true}})
		x.until(Execute, time.Hour)
		x.room(1e6)
		x.until(Suspended, time.Hour)
		off := 3.5
		x.do(Request{Visit: &Visit{OffsetMM: &off, Sure: true}})
		x.room(1e9)
		if err := x.refuse(Request{Command: Unsuspend}); !strings.Contains(err.Error(), "realign the belt") {
			t.Errorf("%v", err)
		}
		x.do(Request{Visit: &Visit{Realigned: true}})
		x.do(Request{Command: Unsuspend})
		x.until(Complete, 10*time.Hour)
		if c := x.counts(1); c.Made != 4 || c.Interrupted != 0 {
			t.Errorf("%+v", c)
		}
		if lot, err := x.ledger.Lot(context.Background(), 1); err != nil || lot.Status != ledger.LotMade {
			t.Errorf("%v %+v", err, lot)
		}
		x.stop()
	})
}
