package rig

import (
	"bytes"
	"strconv"
)

// lineIn judges one received line, without its line end.
func (c *controller) lineIn(raw []byte, damaged bool) {
	if c.halted {
		return
	}
	if i := bytes.IndexByte(raw, ';'); i >= 0 {
		raw = raw[:i]
	}
	line := bytes.TrimSpace(raw)
	if len(line) == 0 {
		return // bare line ends are not answered
	}
	c.waitDue = c.waitAfter()
	if damaged {
		c.figures.DamagedLines++
	}
	number, text, why := c.judge(line)
	if why != "" {
		c.reject(why)
		return
	}
	if damaged {
		c.figures.DamagedAccepted++
	}
	if isM110(text) {
		c.lastNumber = m110Number(text, number, c.lastNumber)
	} else if number >= 0 {
		c.lastNumber = number
	}
	c.figures.LinesAccepted++
	e := &c.queue[(c.queueFirst+c.queueLen)%len(c.queue)]
	e.text = append(e.text[:0], text...)
	e.number, e.at, e.damaged = number, c.now, damaged
	c.queueLen++
	c.faults.accepted(c)
}

// judge parses a line. The reason is empty if it is accepted; the number is -1 if it has none.
func (c *controller) judge(line []byte) (number int64, text []byte, why string) {
	star := bytes.LastIndexByte(line, '*')
	if line[0] != 'N' {
		if star >= 0 && !bytes.HasPrefix(line, []byte("M117")) && !bytes.HasPrefix(line, []byte("M118")) {
			return 0, nil, "no line number with checksum"
		}
		return -1, line, ""
	}
	i := 1
	for i < len(line) && (line[i] >= '0' && line[i] <= '9' || i == 1 && line[i] == '-') {
		i++
	}
	number, err := strconv.ParseInt(string(line[1:i]), 10, 64)
	if err != nil {
		return 0, nil, "bad line number"
	}
	if star < i {
		return 0, nil, "no checksum with line number"
	}
	sum, err := strconv.Atoi(string(bytes.TrimSpace(line[star+1:])))
	if err != nil || sum != xor(line[:star]) {
		return 0, nil, "checksum mismatch"
	}
	text = bytes.TrimSpace(line[i:star])
	if number != c.lastNumber+1 && !isM110(text) {
		return 0, nil, "line number is not the last one plus 1"
	}
	if len(text) == 0 {
		return 0, nil, "empty line with line number"
	}
	return number, text, ""
}

// xor returns the checksum of a line: all its bytes combined by exclusive or.
func xor(b []byte) int {
	sum := byte(0)
	for _, x := range b {
		sum ^= x
	}
	return int(sum)
}

// reject answers a line that is not accepted, as this board does.
func (c *controller) reject(why string) {
	b := &c.set.Board
	c.figures.Rejected++
	c.sayf("Error:%s, last line %d", why, c.lastNumber)
	if b.DiscardOnError {
		if n := c.unread(); n > 0 {
			c.figures.DiscardedBytes += uint64(n)
			c.tainted = c.tainted[:0]
			c.gap('\n', c.rx[len(c.rx)-1])
		}
		c.emptyBuffer()
	}
	request := resendPrefixes[b.Resend] + strconv.FormatInt(c.lastNumber+1, 10)
	if !c.faults.hit(LoseResend) {
		c.say(request)
		if c.faults.hit(RepeatResend) {
			c.say(request)
		}
	}
	c.figures.ResendRequests++
	if b.OkAfterResend {
		c.ok(-1)
	}
}

// ok acknowledges a line, number -1 if it had none.
func (c *controller) ok(number int64) {
	if c.faults.hit(LoseOk) {
		return
	}
	c.out = append(c.out, "ok"...)
	if c.set.Board.AdvancedOk {
		c.out = c.advanced(c.out, number, c.queueLen)
	}
	c.out = append(c.out, '\n')
}

// advanced appends the words that some boards add to their ok: number, free
// planner moves and free queue lines.
func (c *controller) advanced(b []byte, number int64, queued int) []byte {
	if number >= 0 {
		b = append(b, " N"...)
		b = strconv.AppendInt(b, number, 10)
	}
	b = append(b, " P"...)
	b = strconv.AppendInt(b, int64(len(c.planner.ring)-c.planner.count), 10)
	b = append(b, " B"...)
	return strconv.AppendInt(b, int64(len(c.queue)-queued), 10)
}

// say sends a line to the host, unless the board is silent.
func (c *controller) say(text string) {
	c.out = append(append(c.out, text...), '\n')
}

func isM110(text []byte) bool {
	return bytes.HasPrefix(text, []byte("M110")) && (len(text) == 4 || text[4] < '0' || text[4] > '9')
}

// m110Number returns the number that an M110 line sets: its N word, else the number
// of the line itself, else what it was.
func m110Number(text []byte, own, was int64) int64 {
	if i := bytes.IndexByte(text[4:], 'N'); i >= 0 {
		rest := text[4+i+1:]
		n := 0
		for n < len(rest) && (rest[n] >= '0' && rest[n] <= '9' || n == 0 && rest[n] == '-') {
			n++
		}
		if v, err := strconv.ParseInt(string(rest[:n]), 10, 64); err == nil {
			return v
		}
	}
	if own >= 0 {
		return own
	}
	return was
}
