package gcode

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/bits"
)

// plainLetters are the words of a plain move.
const plainLetters = 1<<('X'-'A') | 1<<('Y'-'A') | 1<<('Z'-'A') | 1<<('E'-'A') | 1<<('F'-'A') |
	1<<('I'-'A') | 1<<('J'-'A') | 1<<('K'-'A') | 1<<('R'-'A')

// ParseMove is [Line.Parse] for a move written as most lines of most jobs are: G0 to G3, capital
// letters, one blank before each word, numbers of up to seven digits on either side of the point,
// and no comment. It reports whether the line is one. If not, l is unusable until it has parsed
// something; the line may still be valid.
func (l *Line) ParseMove(src []byte) bool {
	l.plain, l.wireLen = false, 0
	if len(src) < 8 || src[0] != 'G' || src[1]-'0' > 3 || src[2] != ' ' {
		return false
	}
	l.Letter, l.Number, l.Sub = 'G', int(src[1]-'0'), 0
	l.src, l.textFrom, l.textTo, l.numbered, l.opaque = src, 0, 0, false, false
	c := &l.cmd
	c.Letter, c.HasValue, c.Value, c.Column, c.from, c.to = 'G', true, float64(l.Number), 1, 1, 2
	seen, n, spared := uint32(0), 0, 0
	for i := 2; i < len(src); n++ {
		if src[i] != ' ' || i+2 >= len(src) {
			return false
		}
		letter := src[i+1]
		bit := uint32(1) << ((letter - 'A') & 31)
		if letter-'A' >= 26 || bit&plainLetters == 0 || bit&seen != 0 {
			return false
		}
		seen |= bit
		w := &l.words[n] // each of a few letters occurs once, so there is room
		w.Letter, w.HasValue, w.Column, w.from = letter, true, i+2, i+2
		end, inForm := w.plainNumber(src, i+2)
		if end == 0 {
			return false
		}
		if !inForm {
			spared += end - w.from - shortLen(src[w.from:end])
		}
		l.at[letter-'A'] = uint8(n)
		i = end
	}
	l.n, l.seen, l.wireLen = n, seen, len(src)-spared
	l.plain = seen&(1<<('F'-'A')) == 0 || l.words[l.at['F'-'A']].Value >= 0
	return true
}

// plainNumber reads a number from i on and returns where it ends, 0 when it must be
// read in the general way. inForm is as [isShort] says.
//
// Eight bytes are taken at a time, since a loop over digits costs a wrong guess of the
// processor at the end of nearly every number.
func (w *Word) plainNumber(src []byte, i int) (end int, inForm bool) {
	from := i
	sign := uint64(0) // by arithmetic, since signs cannot be guessed
	if src[i] == '-' {
		sign = 1
	}
	i += int(sign)
	chunk := eight(src, i)
	first := byte(chunk)
	x, other := digitsOf(chunk)
	digits, places, point := bits.TrailingZeros64(other)>>3, 0, false
	if digits == 8 {
		return 0, false
	}
	var mantissa uint64
	if chunk>>(8*uint(digits))&0xff != '.' {
		mantissa = valueOf(x, digits)
		i += digits
	} else if ends := bits.TrailingZeros64(other&(other-1)) >> 3; ends < 8 {
		// The whole number is there: the point is taken out from between its digits.
		point = true
		places = ends - digits - 1
		low := uint64(1)<<(8*uint(digits)) - 1
		digits = ends - 1
		mantissa = valueOf(x&low|x>>8&^low, digits)
		i += ends
	} else {
		point = true
		i += digits + 1
		y, other := digitsOf(eight(src, i))
		places = bits.TrailingZeros64(other) >> 3
		if places == 8 {
			return 0, false
		}
		mantissa = valueOf(x, digits)*whole10[places] + valueOf(y, places)
		digits += places
		i += places
	}
	if digits == 0 || i < len(src) && src[i] != ' ' {
		return 0, false
	}
	value := float64(int64(mantissa)) / pow10[places] // both exact, so rounded once
	w.Value, w.to = math.Float64frombits(math.Float64bits(value)|sign<<63), i
	last := src[i-1]
	return i, first > '0' && (last > '0' || last == '0' && !point) || i-from == 1
}

// shortLen is the length of a number of a plain move as appendShort writes it.
func shortLen(s []byte) int {
	sign := 0
	if s[0] == '-' {
		s, sign = s[1:], 1
	}
	for len(s) > 0 && s[0] == '0' {
		s = s[1:]
	}
	if bytes.IndexByte(s, '.') >= 0 {
		for s[len(s)-1] == '0' {
			s = s[:len(s)-1]
		}
		if s[len(s)-1] == '.' {
			s = s[:len(s)-1]
		}
	}
	if len(s) == 0 {
		return 1
	}
	return sign + len(s)
}

// WireLen returns how many bytes [Line.AppendWire] appends, and whether that is known
// without writing them.
func (l *Line) WireLen(f Form) (n int, ok bool) { return l.wireLen, l.wireLen > 0 && f == Spaced }

var whole10 = [8]uint64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7}

// eight returns eight bytes of a line of at least eight from i on, the first one
// lowest. What lies beyond the line's end reads as zero.
func eight(src []byte, i int) uint64 {
	if i+8 <= len(src) {
		return binary.LittleEndian.Uint64(src[i:])
	}
	return binary.LittleEndian.Uint64(src[len(src)-8:]) >> (uint(i+8-len(src)) * 8)
}

// digitsOf turns eight bytes into the values of those that are digits, and sets the
// highest bit of the others. That holds up to the first byte which is neither a digit nor
// a point: beyond it the sum may carry.
func digitsOf(chunk uint64) (x, other uint64) {
	x = chunk ^ 0x3030303030303030
	return x, (x | (x + 0x7676767676767676)) & 0x8080808080808080
}

// valueOf is the number that the first n of eight digits make, the first one lowest.
func valueOf(x uint64, n int) uint64 {
	x <<= uint(64 - 8*n) // digit 0 in front of those that are there
	x = (x & 0x0f0f0f0f0f0f0f0f) * (10<<8 + 1) >> 8
	x = (x & 0x00ff00ff00ff00ff) * (100<<16 + 1) >> 16
	return (x & 0x0000ffff0000ffff) * (10000<<32 + 1) >> 32
}

// applyPlain is the general applyMove for a straight plain move in millimetres, which
// cannot fail. What it does is what that does; a test compares them.
func (s *State) applyPlain(l *Line, e *Effect) {
	*e = Effect{Kind: KindMove, Letter: 'G', Number: l.Number}
	for a, bit := range axisBits {
		lo := s.PositionMM[a]
		if l.seen&bit == 0 {
			e.MinMM[a], e.MaxMM[a] = lo, lo
			continue
		}
		e.Named |= 1 << a
		hi := l.words[l.at[axisLetters[a]-'A']].Value
		if a == int(E) && s.RelativeE || a != int(E) && s.Relative {
			hi = grid(lo + hi)
		} else {
			s.Known[a] = true
		}
		s.PositionMM[a] = hi
		e.delta[a] = grid(hi - lo)
		e.travel[a] = math.Abs(e.delta[a])
		e.MinMM[a], e.MaxMM[a] = min(lo, hi), max(lo, hi)
	}
	if l.seen&(1<<('F'-'A')) != 0 {
		if v := l.words[l.at['F'-'A']].Value; v > 0 { // boards ignore F0
			s.FeedMMPerMin = v
		}
	}
	e.PathMM = e.straightMM()
	s.Motion = MotionRapid + Motion(l.Number)
	e.finish(s)
}
