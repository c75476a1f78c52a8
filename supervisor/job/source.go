package job

import (
	"bytes"
	"errors"
	"fmt"
	"hash"
	"hash/crc32"
	"io"
)

// MaxLineBytes is the longest line accepted. Boards accept about 96 bytes.
const MaxLineBytes = 1 << 20

// readBytes are read at once of a file that is gone through, aheadReadBytes where only some lines are looked at.
const (
	// readBytes are read at once from a whole file, aheadReadBytes where only some lines are read.
	readBytes      = 64 << 10
	aheadReadBytes = 4 << 10
)

// errLong marks a line beyond MaxLineBytes; its bytes are not kept.
var errLong = errors.New("line is too long")

// crcTable is that of CRC-32C, for which common processors have an instruction. It shows
// a section that another program changed within the time that file systems tell apart:
// a change within 32 bits that follow one another for certain, any other but for one in
// 4 294 967 296. SHA-256 is of the whole file, and cannot be had for a part of it.
var crcTable = crc32.MakeTable(crc32.Castagnoli)

// source splits a file into lines ended by LF, CR, both in either order or CR CR LF, holding no
// more than a buffer. It can go back, for repeats inside a body; bytes read again do not count for
// the digests.
type source struct {
	f      io.ReadSeeker
	step   int // bytes read at once, at least
	buf    []byte
	start  int   // first byte not handed out
	end    int   // one past the last byte read
	base   int64 // file offset of buf[0]
	limit  int64 // file offset at which to stop; below 0: at the end
	atEOF  bool
	lf, cr int  // next line end of each kind in buf, or -1 when not looked for
	noCR   bool // buf holds no CR at all

	whole   hash.Hash // nil when not wanted
	wholeAt int64
	crc     uint32 // of the file up to crcAt
	crcAt   int64

	filled func(offset int64) error // called after each read; may be nil
}

// newSource reads f from offset from, where the CRC of what precedes is crc.
func newSource(f io.ReadSeeker, from, limit int64, crc uint32) *source {
	return sourceOf(f, readBytes, from, limit, crc)
}

func sourceOf(f io.ReadSeeker, step int, from, limit int64, crc uint32) *source {
	return &source{f: f, step: step, buf: make([]byte, 2*step), base: from, limit: limit, lf: -1, cr: -1, crc: crc, crcAt: from, wholeAt: from}
}

// next returns the next line without its end, and the offsets of its first byte
// and of the byte after its end. The line is valid until the following call.
func (s *source) next() (line []byte, from, to int64, err error) {
	for {
		end, after, ok := s.cut()
		if ok {
			line = s.buf[s.start:end]
			from, to = s.base+int64(s.start), s.base+int64(after)
			s.start = after
			if from == 0 {
				line = bytes.TrimPrefix(line, []byte("\xef\xbb\xbf")) // byte order mark
			}
			if len(line) > MaxLineBytes {
				return nil, from, to, errLong
			}
			return line, from, to, nil
		}
		if s.atEOF {
			return nil, s.base + int64(s.start), s.base + int64(s.start), io.EOF
		}
		if s.end-s.start > MaxLineBytes+2 { // a line end may be there and wait for what follows
			return s.skipLong()
		}
		if err := s.fill(); err != nil {
			return nil, 0, 0, err
		}
	}
}

// cut finds the end of the line at start: where its text ends and where the next
// begins. It is not ok when more must be read first.
func (s *source) cut() (end, after int, ok bool) {
	s.lf, s.cr = find(s.buf, s.lf, s.start, s.end, '\n'), find(s.buf, s.cr, s.start, s.end, '\r')
	switch {
	case s.cr < s.lf: // a CR comes first
		if s.cr+1 == s.end && !s.atEOF {
			return 0, 0, false // its LF may be still unread
		}
		if s.cr+1 < s.end && s.buf[s.cr+1] == '\n' {
			return s.cr, s.cr + 2, true
		}
		if s.cr+1 < s.end && s.buf[s.cr+1] == '\r' { // CR CR LF is one end: a CR LF that was converted again
			if s.cr+2 == s.end && !s.atEOF {
				return 0, 0, false
			}
			if s.cr+2 < s.end && s.buf[s.cr+2] == '\n' {
				return s.cr, s.cr + 3, true
			}
		}
		return s.cr, s.cr + 1, true
	case s.lf < s.end:
		if s.noCR && s.lf+1 < s.end {
			return s.lf, s.lf + 1, true
		}
		after, ok = s.afterLF()
		return s.lf, after, ok
	case s.atEOF && s.start < s.end:
		return s.end, s.end, true
	}
	return 0, 0, false
}

// afterLF finds where the line begins that follows the LF at hand. A CR behind it belongs
// to it, unless that CR has an LF of its own. It is not ok when more must be read first.
func (s *source) afterLF() (after int, ok bool) {
	rest := s.buf[s.lf+1 : s.end]
	switch {
	case len(rest) > 0 && rest[0] != '\r', len(rest) > 1 && rest[1] == '\n', len(rest) == 0 && s.atEOF:
		return s.lf + 1, true
	case len(rest) > 1 || len(rest) == 1 && s.atEOF:
		return s.lf + 2, true
	}
	return 0, false
}

// find returns the place of c at or after start, or end. where is an earlier result or -1: it is
// reused, so that a file without one kind of line end is not searched again for every line.
func find(buf []byte, where, start, end int, c byte) int {
	if where >= start && where <= end && where >= 0 {
		return where
	}
	if k := bytes.IndexByte(buf[start:end], c); k >= 0 {
		return start + k
	}
	return end
}

// fill reads more after what was not returned yet.
func (s *source) fill() error {
	if s.start > 0 {
		s.sum(s.base + int64(s.start))
		copy(s.buf, s.buf[s.start:s.end])
		s.base += int64(s.start)
		s.end -= s.start
		s.start = 0
	}
	s.lf, s.cr = -1, -1
	if len(s.buf)-s.end < s.step {
		s.buf = append(s.buf, make([]byte, len(s.buf))...)
	}
	room := s.buf[s.end:]
	at := s.base + int64(s.end)
	if s.limit >= 0 && int64(len(room)) > s.limit-at {
		room = room[:s.limit-at]
	}
	if len(room) == 0 {
		s.atEOF = true
		return nil
	}
	n, err := s.f.Read(room)
	if s.whole != nil && at+int64(n) > s.wholeAt {
		s.whole.Write(room[s.wholeAt-at : n])
		s.wholeAt = at + int64(n)
	}
	s.end += n
	s.noCR = bytes.IndexByte(s.buf[:s.end], '\r') < 0
	switch {
	case err == io.EOF:
		s.atEOF = true
	case err != nil:
		return fmt.Errorf("cannot read job at byte %d: %w", at, err)
	}
	if s.filled != nil {
		return s.filled(at + int64(n))
	}
	return nil
}

// skipLong drops the line at start up to its end.
func (s *source) skipLong() (line []byte, from, to int64, err error) {
	from = s.base + int64(s.start)
	for {
		if end, after, ok := s.cut(); ok && (end < s.end || s.atEOF) {
			s.start = after
			return nil, from, s.base + int64(after), errLong
		}
		if s.atEOF {
			s.start = s.end
			return nil, from, s.base + int64(s.end), errLong
		}
		at := s.end
		for at > s.start && s.end-at < 2 && (s.buf[at-1] == '\r' || s.buf[at-1] == '\n') {
			at-- // what may be a line end waits for what follows
		}
		s.start = at
		if err := s.fill(); err != nil {
			return nil, 0, 0, err
		}
	}
}

// sum returns the CRC of the file up to offset, which must be in the buffer or be the last one
// summed.
func (s *source) sum(offset int64) uint32 {
	if offset > s.crcAt {
		s.crc = crc32.Update(s.crc, crcTable, s.buf[s.crcAt-s.base:offset-s.base])
		s.crcAt = offset
	}
	return s.crc
}

// seek goes back to an offset that was the beginning of a line.
func (s *source) seek(offset int64) error {
	if offset >= s.base {
		s.start = int(offset - s.base)
		s.lf, s.cr = -1, -1
		if s.noCR {
			s.cr = s.end // spares a short repeat the search of the whole buffer
		}
		return nil
	}
	s.sum(s.base + int64(s.start))
	if _, err := s.f.Seek(offset, io.SeekStart); err != nil {
		return fmt.Errorf("cannot go back in job to byte %d: %w", offset, err)
	}
	s.base, s.start, s.end, s.atEOF = offset, 0, 0, false
	s.lf, s.cr = -1, -1
	return nil
}
