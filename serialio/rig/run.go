package rig

import (
	"time"
)

// run is the board's goroutine. It sleeps until bytes come, someone asks something,
// or the earliest thing falls due.
func (r *Rig) run() {
	defer close(r.done)
	timer := time.NewTimer(0)
	defer timer.Stop()
	coast := false // speed 0: the grace for moves has passed without more lines
	for {
		wall := time.Now()
		wait := r.live(wall, coast)
		in, out, next := r.in, (chan outChunk)(nil), outChunk{}
		if r.ctl.wireBytes > wireLimit {
			in = nil
		}
		var closed chan struct{}
		if l := r.link; l != nil && len(l.pending) > 0 {
			out, next, closed = l.out, l.pending[0], l.closed
		}
		if wait <= 0 {
			// Something is due already; look only whether there is input as well.
			select {
			case <-r.quit:
				r.ctl.record.flush()
				return
			case x := <-in:
				coast = false
				r.receive(x)
			case f := <-r.reqs:
				r.serve(f)
			case out <- next:
				r.link.shift()
			default:
			}
			continue
		}
		timer.Reset(min(wait, time.Hour))
		select {
		case <-r.quit:
			r.ctl.record.flush()
			return
		case x := <-in:
			coast = false
			r.receive(x)
		case f := <-r.reqs:
			r.serve(f)
		case out <- next:
			r.link.shift()
		case <-closed:
			r.link.pending, r.link.backlog = nil, 0
		case <-timer.C:
			coast = true
		}
	}
}

// live brings the board up to the wall time and returns how much wall time may pass
// until it must be called again.
func (r *Rig) live(wall time.Time, coast bool) time.Duration {
	c := r.ctl
	c.runTo(max(c.now, r.clk.at(wall)), r.ship)
	defer c.record.flush()
	if r.set.Speed > 0 {
		return r.clk.until(wall, r.next())
	}
	switch rate, jump := r.pace(); {
	case jump && (coast || c.op.kind != opNone || c.queueLen > 0):
		// The head of the queue waits for something that will come: let it come now.
		c.runTo(min(c.nextEvent(), c.nextArrival()), r.ship)
		r.clk.rebase(wall, c.now, 0)
		return 0
	case jump:
		r.clk.rebase(wall, c.now, 0)
		return graceWall
	default:
		r.clk.rebase(wall, c.now, rate)
		return r.clk.until(wall, r.next())
	}
}

// next returns the machine time of the next thing to happen.
func (r *Rig) next() time.Duration { return min(r.ctl.nextEvent(), r.ctl.nextArrival()) }

// pace returns how fast the machine clock runs at speed 0, or that it jumps.
func (r *Rig) pace() (rate float64, jump bool) {
	c := r.ctl
	switch {
	case r.absent || c.now < c.stallUntil || len(c.wire) > 0:
		return 1, false // a fault that must last for the host as well
	case c.op.kind == opStuck || c.op.kind == opUser || c.op.kind == opHeat && c.op.until >= never:
		return 1, false // nothing will ever come of it
	case c.op.kind != opNone || c.planner.count > 0:
		return 0, true
	default:
		return idleRate, false
	}
}

// serve brings the board up to now and runs a request.
func (r *Rig) serve(f func()) {
	r.catchUp(time.Now())
	f()
}

// catchUp lets the board live until a wall time. At speed 0 the clock then stands
// until live has seen what the board does next: an idle board's clock must not race
// on over a command that has just come.
func (r *Rig) catchUp(wall time.Time) {
	r.ctl.runTo(max(r.ctl.now, r.clk.at(wall)), r.ship)
	if r.set.Speed == 0 {
		r.clk.rebase(wall, r.ctl.now, 0)
	}
}

// receive puts bytes from the host on the wire.
func (r *Rig) receive(x inChunk) {
	l := r.link
	if l == nil || x.from != l {
		return // written before the cable came out
	}
	c := r.ctl
	if r.set.Speed == 0 {
		r.catchUp(time.Now())
	}
	t, per := c.now, 0.0
	if r.set.Speed > 0 {
		per = 1e10 / float64(l.baud) // ten bits a byte
		t = max(r.clk.at(x.wall)+r.set.Board.Latency, l.rxFree)
	}
	if l.garbled {
		c.scramble(x.data)
	}
	l.rxFree = c.send(x.data, t, per)
}

// scramble is what a receiver at the wrong rate makes of bytes.
func (c *controller) scramble(b []byte) {
	for i := range b {
		b[i] = byte(c.faults.rng.UintN(256)) | 0x80
	}
}

// ship sends what the board has said. It is complete at the host when its last byte
// has crossed the wire.
func (r *Rig) ship() {
	c, l := r.ctl, r.link
	if len(c.out) == 0 {
		return
	}
	if l == nil || l.isClosed() {
		c.out = c.out[:0]
		return
	}
	data, _, delay := c.faults.onWire(append([]byte(nil), c.out...), toHost)
	c.out = c.out[:0]
	if len(data) == 0 {
		return
	}
	if l.garbled {
		c.scramble(data)
	}
	wall := time.Now()
	due := wall.Add(delay)
	if r.set.Speed > 0 {
		l.txFree = max(l.txFree, c.now) + time.Duration(float64(len(data))*1e10/float64(l.baud)) + delay
		due = wall.Add(r.clk.until(wall, l.txFree+r.set.Board.Latency))
	}
	if l.backlog+len(data) > backlogLimit {
		c.figures.HostOverflow += uint64(len(data))
		return
	}
	x := outChunk{data: data, due: due}
	if len(l.pending) == 0 {
		select {
		case l.out <- x:
			return
		default:
		}
	}
	l.pending = append(l.pending, x)
	l.backlog += len(data)
}

// shift drops the first chunk that has found its place.
func (l *link) shift() {
	l.backlog -= len(l.pending[0].data)
	l.pending = l.pending[1:]
}
