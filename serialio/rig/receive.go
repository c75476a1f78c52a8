package rig

import (
	"bytes"
	"time"
)

// wireChunk is bytes travelling to the board, one after the other.
type wireChunk struct {
	data  []byte
	next  int           // first byte not yet arrived
	stop  int           // end of the piece that arrives next: a line end or the chunk's
	start time.Duration // when the first byte began
	perNS float64       // of one byte
	taint []int         // places where bytes were damaged, lost or doubled on the way
}

func (w *wireChunk) arrival(i int) time.Duration {
	return w.start + time.Duration(float64(i)*w.perNS)
}

func (w *wireChunk) aim() {
	w.stop = len(w.data)
	if i := bytes.IndexByte(w.data[w.next:], '\n'); i >= 0 {
		w.stop = w.next + i + 1
	}
}

// send puts bytes on the wire to the board at machine time t. The return value is
// when the last of them will have arrived.
func (c *controller) send(data []byte, t time.Duration, perNS float64) time.Duration {
	data, taint, delay := c.faults.onWire(data, toBoard)
	t += delay
	w := wireChunk{data: data, start: t, perNS: perNS, taint: taint}
	if len(data) == 0 {
		c.taintAt(c.rxCount)
		return t
	}
	w.aim()
	c.wire = append(c.wire, w)
	c.wireBytes += len(data)
	return w.arrival(len(data))
}

// cutWire loses what is on its way in both directions. The line of which the board
// has read the beginning will be continued by whatever comes next.
func (c *controller) cutWire() {
	if len(c.line) > 0 || c.unread() > 0 && c.rx[len(c.rx)-1] != '\n' {
		c.taintAt(c.rxCount)
	}
	c.wire, c.wireBytes = nil, 0
	c.out = c.out[:0]
}

// nextArrival returns when the next piece of a line is complete, or never.
func (c *controller) nextArrival() time.Duration {
	if len(c.wire) == 0 {
		return never
	}
	w := &c.wire[0]
	return max(c.now, w.arrival(w.stop))
}

// arrive takes the next piece off the wire.
func (c *controller) arrive() {
	w := &c.wire[0]
	c.take(w, w.stop)
	c.settle()
}

// partial takes the bytes off the wire that have arrived by t.
func (c *controller) partial(t time.Duration) {
	if len(c.wire) == 0 {
		return
	}
	w := &c.wire[0]
	if w.perNS == 0 || t <= w.start {
		return
	}
	n := min(int(float64(t-w.start)/w.perNS), w.stop-1)
	if n > w.next {
		c.take(w, n)
	}
}

// take moves the wire's bytes up to stop into the receive buffer.
func (c *controller) take(w *wireChunk, stop int) {
	for len(w.taint) > 0 && (w.taint[0] < stop || stop == len(w.data)) {
		c.taintAt(c.rxCount + uint64(max(0, min(w.taint[0], stop-1)-w.next)))
		if w.taint[0] == len(w.data) { // it reaches over to whatever comes next
			c.taintAt(c.rxCount + uint64(len(w.data)-w.next))
		}
		w.taint = w.taint[1:]
	}
	seg := w.data[w.next:stop]
	c.midLine = seg[len(seg)-1] != '\n'
	w.next = stop
	c.wireBytes -= len(seg)
	if w.next == len(w.data) {
		c.wire = append(c.wire[:0], c.wire[1:]...)
	} else {
		w.aim()
	}
	if c.bootAt != never {
		return // nobody listens during a restart
	}
	if c.set.Board.EmergencyParser && !c.halted {
		c.listen(seg)
	}
	if c.halted {
		return
	}
	for len(seg) > 0 {
		free := c.set.Board.ReceiveBuffer - c.unread()
		if free == 0 {
			c.figures.Overflows++
			c.figures.OverflowBytes += uint64(len(seg))
			c.gap(c.rx[len(c.rx)-1], seg[len(seg)-1])
			return
		}
		n := min(free, len(seg))
		if c.rxHead > 0 {
			c.rx = c.rx[:copy(c.rx, c.rx[c.rxHead:])]
			c.rxHead = 0
		}
		c.rx = append(c.rx, seg[:n]...)
		c.rxCount += uint64(n)
		c.figures.MaxPendingBytes = max(c.figures.MaxPendingBytes, len(c.rx))
		seg = seg[n:]
		c.settle()
		if c.halted || c.bootAt != never {
			return
		}
	}
}

// unread returns the number of bytes waiting in the receive buffer.
func (c *controller) unread() int { return len(c.rx) - c.rxHead }

// emptyBuffer throws the unread bytes away.
func (c *controller) emptyBuffer() { c.rx, c.rxHead = c.rx[:0], 0 }

func (c *controller) taintAt(i uint64) {
	if n := len(c.tainted); n == 0 || c.tainted[n-1] != i {
		c.tainted = append(c.tainted, i)
	}
}

// readLines moves whole lines from the receive buffer into the command queue while
// there is room. Bytes of an unfinished line go to the line buffer.
func (c *controller) readLines() {
	for c.rxHead < len(c.rx) && c.queueLen < len(c.queue) {
		b := c.rx[c.rxHead]
		c.rxHead++
		if b != '\n' && b != '\r' {
			if len(c.line) < c.set.Board.LineLimit {
				c.line = append(c.line, b)
			}
			continue
		}
		damaged := len(c.tainted) > 0 && c.untaint(c.rxCount-uint64(c.unread()))
		c.lineIn(c.line, damaged)
		c.line = c.line[:0]
	}
	if c.rxHead == len(c.rx) {
		c.emptyBuffer()
	}
}

// untaint reports whether a byte before position read was damaged, and forgets it.
func (c *controller) untaint(read uint64) bool {
	rest := c.tainted[:0]
	for _, i := range c.tainted {
		if i >= read {
			rest = append(rest, i)
		}
	}
	hit := len(rest) < len(c.tainted)
	c.tainted = rest
	return hit
}

// taintedWithin reports whether a byte from one place to before another was damaged.
func (c *controller) taintedWithin(from, to uint64) bool {
	for _, i := range c.tainted {
		if i >= from && i < to {
			return true
		}
	}
	return false
}

// gap notes that bytes are missing between the byte before and the next to come. If
// whole lines are missing, the lines around them are sound.
func (c *controller) gap(before, lastLost byte) {
	if before != '\n' || lastLost != '\n' {
		c.taintAt(c.rxCount)
	}
}

// listen is the emergency parser: it sees every byte as it arrives, even those the
// receive buffer has no room for.
func (c *controller) listen(seg []byte) {
	at := c.rxCount // place of seg in what is received
	for len(seg) > 0 {
		i := bytes.IndexAny(seg, "\r\n")
		part := seg
		if i >= 0 {
			part = seg[:i]
		}
		if room := 32 - len(c.urgent); room > 0 {
			c.urgent = append(c.urgent, part[:min(room, len(part))]...)
		}
		if i < 0 {
			return
		}
		seg, at = seg[i+1:], at+uint64(i)+1
		word, damaged := urgentWord(c.urgent), c.taintedWithin(c.urgentAt, at)
		c.urgent, c.urgentAt = c.urgent[:0], at
		switch word {
		case 108:
			if c.op.kind == opHeat || c.op.kind == opUser {
				c.op.kind, c.op.until, c.watchDue = opDwell, c.now, never
			}
		case 112:
			if c.nozzle.ignoresOff || c.bed.ignoresOff {
				break
			}
			c.figures.EmergencyStops++
			c.record.add([]byte("M112"), -1, c.now, damaged)
			c.halt("emergency stop")
		case 410:
			c.quickStop()
		}
	}
}

// urgentWord returns 108, 112 or 410 if that is the line's command, else 0. A line
// number before it is skipped and no checksum is looked at: common practice.
func urgentWord(line []byte) int {
	line = bytes.TrimLeft(line, " ")
	if len(line) > 0 && line[0] == 'N' {
		line = bytes.TrimLeft(line[1:], "-0123456789")
		line = bytes.TrimLeft(line, " ")
	}
	for _, w := range [...]int{108, 112, 410} {
		text := [...]string{108: "M108", 112: "M112", 410: "M410"}[w]
		if bytes.HasPrefix(line, []byte(text)) && (len(line) == 4 || line[4] < '0' || line[4] > '9') {
			return w
		}
	}
	return 0
}
