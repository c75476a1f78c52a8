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
	Within         time.Duration // altogether
	Every          time.Duration // between two readings
	IdleTimeoutSet bool          // the board was told to halt when it is idle for long, and is to forget that
	UntilAccepted  bool          // until the board tells no target any more: a daemon follows, which watches it cool
	HasBed         bool          // a bed is known to be there, also while the board does not tell it
	Speed          float64       // how many times faster than a clock a simulated machine runs; 0 for a real one
}

// urgentOff switch the heaters off. Sent without a number and before anything else is
// known, most boards obey them, also one that waits for a temperature once the first has
// ended that wait. A chamber and a second nozzle that are not there are heeded by no board.
const urgentOff = "\nM108\nM104 S0\nM140 S0\nM141 S0\nM104 T1 S0\n"

// Cool switches the heaters of a board off while no daemon works it, and watches the
// readings fall: for the time after a daemon that was killed, or fell over. Where a daemon
// follows, whoever waits for it waits for as little as can be. It tries until
// ctx or the time that is set ends, also through restarts of the board, and returns what was
// seen. The error is [ErrHot] with the reason where they were not shown to be off.
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

// cooler follows one cooling over several connections.
type cooler struct {
	c               Cooling
	guard           *heat.Guard
	reported        bool // some temperature
	begun           time.Time
	nozzleOn, bedOn bool // the board tells a target that is not 0
	others          heat.Others
	offInARow       int // reports in a row that tell none
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

// at is the machine's time since the cooler began: how fast a body may cool is judged by it.
func (k *cooler) at() time.Duration {
	return time.Duration(max(1, k.c.Speed) * float64(time.Since(k.begun)))
}

// attempt works one connection until the heaters are shown to be off, or it ends.
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
				k.switchOff(conn) // it was asked for heat again, or has not heard us
			default:
				conn.SendControl(controlID, "M105")
			}
		}
	}
}

// offReportsNeeded is how many reports must say that no heater has a target: one may be damaged.
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

// report takes a reading in, and says whether the heaters are off beyond doubt.
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

// sleep waits; it returns false when ctx has ended.
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
