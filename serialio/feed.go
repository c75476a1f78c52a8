package serialio

import (
	"errors"
	"fmt"
	"io"
)

// fillWindow fills the window: first lines to be resent, then control lines, then the program. They
// go to the writer at once, and may end within a line.
func (l *loop) fillWindow() {
	l.out = l.out[:0]
	sent := 0
	idle := l.win.inFlight() == 0
	for l.phase == phaseRun {
		most := 1 << 20
		if l.singleLine {
			most = 1 - l.win.inFlight()
		}
		var n int
		l.out, n = l.win.appendSendable(l.out, most, l.now)
		sent += n
		if l.win.sent < l.win.end || l.singleLine || !l.synced {
			break
		}
		if !l.nextLine() && l.win.sent == l.win.end {
			break
		}
	}
	if len(l.out) == 0 {
		return
	}
	l.stats.LinesSent += uint64(sent)
	if idle {
		l.progress = l.now
	}
	l.c.w.queue(l.out)
}

// nextLine numbers one more line if there is one and it fits. It may find that the board must be
// probed first, and leave phaseRun.
func (l *loop) nextLine() bool {
	if l.win.allAccepted() && l.win.barrier >= l.win.certain && (len(l.controlLines) > 0 || l.prog != nil) {
		l.confirmAccepted() // only a plain ok says that the number was set
		return false
	}
	if p := l.prog; len(l.controlLines) > 0 && !(p != nil && p.numbered && !p.ended()) {
		a := l.controlLines[0]
		pushed, err := l.enqueue(ownControl, a.id, a.text)
		if err != nil {
			l.emit(Event{Kind: EventFailed, ID: a.id, Err: err})
		}
		if pushed || err != nil {
			l.controlLines = l.controlLines[1:]
			return true
		}
		return false
	}
	p := l.prog
	if p == nil || p.ended() || l.win.acked < p.wait {
		return false // lines buffered behind a wait for heat would be carried out cold if the wait is cancelled
	}
	if !l.hasLine {
		line, err := p.src.Next(l.line[:0])
		switch {
		case errors.Is(err, io.EOF):
			p.eof = true
			return false
		case err != nil:
			p.err = err
			return false
		}
		l.line, l.hasLine = line, true
	}
	pushed, err := l.enqueue(ownProgram, p.id, l.line)
	if err != nil {
		p.err = err
		l.dropLine()
		return false
	}
	if pushed {
		l.hasLine = false
		p.last = l.win.end
		_, p.numbered, _ = lineNumberWord(l.line)
		if waitsForHeat(l.line) {
			p.wait = p.last
		}
	}
	return pushed
}

// dropLine discards the program's line that waits for its number.
func (l *loop) dropLine() {
	if l.hasLine {
		l.hasLine = false
		l.prog.src.Unsent()
	}
}

// enqueue puts a text into the window, as an ordinary line or as one that sets the line number. It
// returns false if that must wait.
func (l *loop) enqueue(o owner, id uint64, text []byte) (bool, error) {
	if err := CheckText(text); err != nil {
		return false, err
	}
	if most := l.win.maxText(); len(text) > most {
		return false, fmt.Errorf("cannot send line %.40q: %d bytes, at most %d fit into the window", text, len(text), most)
	}
	to, is, err := lineNumberWord(text)
	if err != nil {
		return false, err
	}
	if is || l.win.next >= numberLimit {
		if !l.win.allAccepted() {
			return false, nil
		}
		if l.win.certain < l.win.end {
			l.confirmAccepted() // the new number would hide what the old one proves
			return false, nil
		}
		if is {
			l.win.pushBarrier(o, id, to)
		} else {
			l.win.pushBarrier(ownInternal, 0, StartNumber)
		}
		return is, nil
	}
	if !l.win.fits(len(text)) {
		return false, nil
	}
	l.win.push(o, id, text)
	return true, nil
}

// reportAccepted reports newly accepted lines to their owners, each once.
func (l *loop) reportAccepted() {
	n := 0
	for ; l.reported < l.win.acked; l.reported++ {
		l.stats.LinesAccepted++
		s := l.win.at(l.reported)
		switch s.owner {
		case ownProgram:
			n++
		case ownControl:
			l.emit(Event{Kind: EventDone, ID: s.id})
		case ownInternal:
			if !l.synced {
				l.synced = true
				l.stats.Hint = l.hint()
				l.emit(Event{Kind: EventSynced, LastNumber: l.lastNumber, Reset: l.sawReset})
			}
		}
		l.stats.LastNumber = s.number
	}
	if n > 0 && l.prog != nil {
		l.prog.src.Accepted(n)
	}
}

// endProgram reports the end of the program once its last line is certainly accepted. It returns
// true if the board must be probed first.
func (l *loop) endProgram() bool {
	p := l.prog
	if p == nil || !p.ended() || l.win.acked < p.last || l.phase != phaseRun || l.singleLine {
		return false
	}
	if l.win.certain < p.last {
		if !l.win.allAccepted() {
			return false // a control line is in flight; its answer comes first
		}
		l.confirmAccepted()
		return true
	}
	e := Event{Kind: EventDone, ID: p.id}
	switch {
	case p.cancelled:
		e.Kind = EventCancelled
	case p.err != nil:
		e.Kind, e.Err = EventFailed, p.err
	}
	l.prog, l.hasLine = nil, false
	l.c.mu.Lock()
	l.c.running = false
	l.c.mu.Unlock()
	l.emit(e)
	return false
}
