package supervisor

import (
	"context"
	"errors"
	"fmt"
	"time"

	"beltwarden/serialio"
	"beltwarden/supervisor/heat"
)

// Cooling bounds the work of [Cool].
type Cooling struct {
	Port           serialio.Settings
	Conn           serialio.Options
	Within         time.Duration // bound on the whole
	Every          time.Duration // between two readings
	IdleTimeoutSet bool          // the board has an idle timeout that must be cleared
	UntilAccepted  bool          // return once the board reports no targets: a daemon follows and watches it cool
	HasBed         bool          // there is a bed, even if the board does not report it
	Speed          float64       // how many times faster than a clock a simulated machine runs; 0 for a real one
}

// urgentOff switches the heaters off. It is sent unnumbered and first. Most boards obey it, even
// one that waits for a temperature, since M108 ends that wait. Boards ignore the commands for a
// chamber or second nozzle that they do not have.
const urgentOff = "\nM108\nM104 S0\nM140 S0\nM141 S0\nM104 T1 S0\n"

// Cool switches a board's heaters off while no daemon runs, as after a crash, and watches the
// readings fall. It retries until ctx or c.Within ends, also over restarts of the board, and
// returns what it saw. The error wraps [ErrHot] with the reason if the heaters were not shown to be
// off. With UntilAccepted it returns earlier, so that the next daemon can start.
func Cool(ctx context.Context, c Cooling, open serialio.Opener) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, c.Within)
	defer cancel()
	k := newCooler(c)
	last := errors.New("the board was not reached")
	for {
		done, err := k.attempt(ctx, open)
		switch {
		case done && !k.guard.ShownOff():
			return "switched off, as the board reports; the next daemon watches them cool", nil
		case done:
			return k.guard.Text(), nil
		case err != nil && ctx.Err() == nil:
			last = err
		}
		if !sleep(ctx, c.Every) {
			if k.reported {
				k.guard.FailProof(k.at())
				last = errors.New(k.guard.Text())
			}
			return "", fmt.Errorf("%w; %w", ErrHot, last)
		}
	}
}

// cooler is the state of [Cool] over several connections.
type cooler struct {
	c               Cooling
	guard           *heat.Guard
	reported        bool // any temperature was reported
	begun           time.Time
	nozzleOn, bedOn bool // the board reports a target above 0
	others          heat.Others
	offInARow       int // reports in a row without a target
}

func newCooler(c Cooling) *cooler {
	k := &cooler{c: c, begun: time.Now(), guard: heat.NewGuard(heat.NozzleLimits(0, heat.OverC), heat.BedLimits(0, heat.OverC))}
	k.guard.AssumeUnreportedOn()
	if c.HasBed {
		k.guard.MarkPresent(heat.Bed)
	}
	k.guard.BeginProof(0)
	return k
}

// at is the machine's time since the start. The cooling rate is judged by it.
func (k *cooler) at() time.Duration {
	return time.Duration(max(1, k.c.Speed) * float64(time.Since(k.begun)))
}

// attempt works on one connection until the heaters are shown to be off or the connection ends.
func (k *cooler) attempt(ctx context.Context, open serialio.Opener) (bool, error) {
	port, err := open(ctx, k.c.Port)
	if err != nil {
		return false, err
	}
	conn := serialio.NewConn(port, k.c.Conn)
	defer conn.Close()
	conn.Urgent([]byte(urgentOff))
	tick := time.NewTicker(k.c.Every)
	defer tick.Stop()
	synced := false
	for {
		select {
		case <-ctx.Done():
			return false, ctx.Err()
		case ev, ok := <-conn.Events():
			switch {
			case !ok:
				return false, serialio.ErrClosed
			case ev.Kind == serialio.EventLost:
				return false, ev.Err
			case ev.Kind == serialio.EventSynced:
				synced = true
				if nextProvesPart(ev.LastNumber) {
					conn.SendControl(controlID, resetLineNumber)
				}
				k.switchOff(conn)
			case ev.Kind == serialio.EventReport && k.report(ev.Reply.Temps):
				return true, nil
			case synced && k.c.UntilAccepted && k.offInARow >= offReportsNeeded:
				return true, nil
			}
		case <-tick.C:
			switch {
			case !synced:
			case k.nozzleOn || k.bedOn:
				k.switchOff(conn) // somebody has set a target again, or our lines were lost
			default:
				conn.SendControl(controlID, "M105")
			}
		}
	}
}

// offReportsNeeded is how many reports in a row must show no target: one may be damaged.
const offReportsNeeded = 2

func (k *cooler) switchOff(conn *serialio.Conn) {
	lines := append([]string{"M104 S0", "M140 S0"}, k.others.Off()...)
	lines = append(lines, "M105")
	if k.c.IdleTimeoutSet {
		lines = append(lines, "M85 S0")
	}
	for _, line := range lines {
		conn.SendControl(controlID, line)
	}
}

// report handles a reading and reports whether the heaters are shown to be off.
func (k *cooler) report(t serialio.Temps) bool {
	k.others.Reported(t.HasChamber, t.HasSecond)
	if !t.HasNozzle && !t.HasBed && !t.NozzleUnread && !t.BedUnread {
		return false
	}
	if t.HasNozzleTarget {
		k.nozzleOn = t.NozzleTargetC > 0
	}
	if t.HasBedTarget {
		k.bedOn = t.BedTargetC > 0
	}
	k.reported = true
	k.offInARow++
	if k.nozzleOn || k.bedOn {
		k.offInARow = 0
	}
	at, none := k.at(), heat.Model{}
	if t.HasNozzle || t.NozzleUnread {
		k.guard.Observe(heat.Nozzle, readingOf(at, t.NozzleC, t.HasNozzle, 0, t.HasNozzleTarget, t.NozzleTargetC), t.BedC, &none)
	}
	if t.HasBed || t.BedUnread {
		k.guard.Observe(heat.Bed, readingOf(at, t.BedC, t.HasBed, 0, t.HasBedTarget, t.BedTargetC), 0, &none)
	}
	return k.guard.DecideProof(at)
}

// sleep waits for d, and returns false if ctx ends first.
func sleep(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}
