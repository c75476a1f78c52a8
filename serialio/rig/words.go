package rig

import (
	"math"
)

// words is one parsed command: its letter and number, and the words after it.
type words struct {
	letter byte
	number int
	has    uint32 // bit i: letter 'A'+i is there
	value  [26]float64
}

func (w *words) is(letter byte) bool { return w.has&(1<<(letter-'A')) != 0 }

// get returns a word's value, or other if it is not there.
func (w *words) get(letter byte, other float64) float64 {
	if w.is(letter) {
		return w.value[letter-'A']
	}
	return other
}

// parse reads a command. It reports false if the text does not begin with a letter
// and a number. What it does not understand after that it skips, as boards do.
func (w *words) parse(text []byte) bool {
	w.has, w.letter = 0, 0
	for i := 0; i < len(text); {
		letter := text[i] &^ 0x20
		i++
		if letter < 'A' || letter > 'Z' {
			continue
		}
		for i < len(text) && text[i] == ' ' {
			i++
		}
		v, n := number(text[i:])
		i += n
		if w.letter == 0 {
			if n == 0 || v < 0 || v > 9999 || v != math.Trunc(v) {
				return false
			}
			w.letter, w.number = letter, int(v)
			continue
		}
		w.has |= 1 << (letter - 'A')
		w.value[letter-'A'] = v
	}
	return w.letter != 0
}

var tens = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// number reads a decimal number and returns it with the bytes it took. Up to 15
// digits it is the nearest float64; further digits are dropped.
func number(b []byte) (float64, int) {
	i, digits, decimals := 0, 0, 0
	negative, point := false, false
	var mantissa int64
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		negative = b[i] == '-'
		i++
	}
	for ; i < len(b); i++ {
		switch {
		case b[i] == '.' && !point:
			point = true
		case b[i] >= '0' && b[i] <= '9':
			if digits < 15 {
				mantissa = mantissa*10 + int64(b[i]-'0')
				if mantissa > 0 {
					digits++
				}
				if point {
					decimals++
				}
			} else if !point {
				return 0, i
			}
		default:
			goto end
		}
	}
end:
	v := float64(mantissa) / tens[min(decimals, 15)]
	if negative {
		v = -v
	}
	return v, i
}
