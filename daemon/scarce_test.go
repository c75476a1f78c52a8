package main

import (
	"fmt"
	"net"
	"os/exec"
	"testing"
	"time"

	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// TestWithoutDescriptors: a crowd at the socket takes every file descriptor that the daemon
// may have, in the middle of a lot. The machine goes on with those that it has, or ends its
// run safely; either way the count is the machine's, and the daemon answers once the crowd
// has gone.
func TestWithoutDescriptors(t *testing.T) {
	t.Parallel() // it waits most of the time
	w := newWorkshop(t, "", "")
	s := rig.DefaultSettings()
	s.Belt.Axis, s.Speed = 'Y', 200
	r := w.simulate(t, s)
	d := w.start(t, exec.Command("sh", "-c", fmt.Sprintf("ulimit -n 40; exec beltwarden serve --config %s", w.config)))
	d.reach(t, supervisor.Idle)
	d.beginClips(t, 4)
	d.reach(t, supervisor.Execute)
	var crowd []net.Conn
	for range 100 {
		conn, err := net.DialTimeout("unix", w.socket, time.Second)
		if err != nil {
			break // the queue before the door is full as well
		}
		crowd = append(crowd, conn)
	}
	if len(crowd) < 40 {
		t.Fatalf("only %d came", len(crowd))
	}
	time.Sleep(8 * time.Second) // some parts long
	if d.gone() {
		t.Fatalf("the daemon has ended: %v\n%s", d.err, w.tail())
	}
	for _, c := range crowd {
		_ = c.Close()
	}
	end := d.reach(t, supervisor.Complete, supervisor.Aborted)
	made := 0
	for _, p := range r.Parts() {
		if p.DroppedAt > 0 || p.Dropped {
			made++
		}
	}
	t.Logf("with %d at the socket of 40 descriptors: %s (%s), %d made by the ledger, %d over the machine's edge", len(crowd), end.State, end.Cause.Text, end.Lot.Made, made)
	if end.State == supervisor.Complete && (end.Lot.Made != 4 || made != 4) {
		t.Errorf("%d made by the ledger, %d by the machine, of 4", end.Lot.Made, made)
	}
	if _, nt, _, bt := r.Temperatures(); nt != 0 || bt != 0 {
		t.Errorf("targets left at %.0f and %.0f °C", nt, bt)
	}
	d.stop(t)
}
