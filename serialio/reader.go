package serialio

import "bytes"

// chunk is the result of one Read.
type chunk struct {
	data []byte
	err  error
}

const (
	readSize = 4096
	maxReply = 512 // bytes of one reply line that are kept; the rest is dropped
)

// read is the one goroutine that calls Port.Read. It ends when the port is closed or gone, and
// drops everything once nobody receives, so that a board that keeps sending cannot block it.
func (c *Conn) read() {
	defer close(c.readerDone)
	buf := make([]byte, readSize)
	for {
		n, err := c.port.Read(buf)
		if n > 0 {
			select {
			case c.chunks <- chunk{data: buf[:n]}:
				select {
				case buf = <-c.spare:
					buf = buf[:readSize]
				default:
					buf = make([]byte, readSize)
				}
			case <-c.loopDone:
			}
		}
		if err != nil {
			select {
			case c.chunks <- chunk{err: err}:
			case <-c.loopDone:
			}
			return
		}
		select {
		case <-c.stop:
			return
		default:
		}
	}
}

// lineReader cuts the stream of bytes into lines. Line feed and carriage return both end a line;
// empty lines are ignored. A line longer than maxReply is truncated and marked so.
type lineReader struct {
	part      []byte // the beginning of a line without its end
	truncated bool   // part has lost its tail
}

// feed calls line for every complete line in b, in order, until line returns false.
func (r *lineReader) feed(b []byte, line func(text []byte, cut bool) bool) {
	for len(b) > 0 {
		end := bytes.IndexByte(b, '\n')
		if cr := bytes.IndexByte(b[:max(end, 0)], '\r'); cr >= 0 {
			end = cr
		} else if end < 0 {
			end = bytes.IndexByte(b, '\r')
		}
		if end < 0 {
			r.stash(b)
			return
		}
		text := b[:end]
		if len(r.part) > 0 || len(text) > maxReply {
			r.stash(text)
			text = r.part
		}
		b = b[end+1:]
		cut := r.truncated
		r.part, r.truncated = r.part[:0], false
		if len(text) > 0 && !line(text, cut) {
			return
		}
	}
}

func (r *lineReader) stash(b []byte) {
	if room := maxReply - len(r.part); len(b) > room {
		b, r.truncated = b[:room], true
	}
	r.part = append(r.part, b...)
}
