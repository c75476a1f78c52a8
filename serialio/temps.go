package serialio

import "bytes"

// parseTemps reads "T:201.2 /202.0 B:60.1 /60.0 @:127 B@:63" and its kin: T0
// stands for T where there is no T, the target may be missing, blanks may be
// missing. It says whether the line is about temperatures of nozzle, bed or chamber.
// What is no number, or no temperature, is no reading and is marked as that: a broken
// sensor must neither look like a sound one nor like a heater that is not there.
func parseTemps(t *Temps, line []byte) bool {
	line = line[:min(len(line), maxText)]
	var n Temps
	var first heaterReading // T0, used if there is no T
	hasFirst := false
	for i := 0; i < len(line); {
		// A key begins the line or follows a blank or a number.
		key, rest := heaterKey(line[i:])
		if key == "" || (i > 0 && isLetter(line[i-1])) {
			i++
			continue
		}
		h, used := readHeater(rest)
		i = len(line) - len(rest) + used
		switch key {
		case "T":
			n.NozzleC, n.HasNozzle, n.NozzleTargetC, n.HasNozzleTarget, n.NozzleUnread = h.valueC, h.has, h.targetC, h.hasTarget, !h.has
		case "T0":
			first, hasFirst = h, true
		case "B":
			n.BedC, n.HasBed, n.BedTargetC, n.HasBedTarget, n.BedUnread = h.valueC, h.has, h.targetC, h.hasTarget, !h.has
		case "C":
			n.ChamberC, n.HasChamber = h.valueC, h.has
		case "T1":
			n.HasSecond = h.has
		case "@", "@0":
			n.NozzleDuty, n.HasNozzleDuty = h.valueC, h.has
		case "B@":
			n.BedDuty, n.HasBedDuty = h.valueC, h.has
		}
	}
	if !n.HasNozzle && hasFirst {
		n.NozzleC, n.HasNozzle, n.NozzleTargetC, n.HasNozzleTarget, n.NozzleUnread = first.valueC, first.has, first.targetC, first.hasTarget, !first.has
	}
	// Free text may hold "T:" and the like. What cannot be read counts where something else does.
	is := n.Any() || n.NozzleUnread && n.HasNozzleTarget || n.BedUnread && n.HasBedTarget
	if is {
		*t = n
	}
	return is
}

type heaterReading struct {
	valueC, targetC float64
	has, hasTarget  bool
}

// heaterKey returns the key of a heater at the start of b, and what follows its colon.
func heaterKey(b []byte) (string, []byte) {
	for _, key := range [...]string{"T", "T0", "B", "C", "@", "@0", "B@", "T1", "@1"} {
		if len(b) > len(key) && b[len(key)] == ':' && string(b[:len(key)]) == key {
			return key, b[len(key)+1:]
		}
	}
	return "", nil
}

// readHeater reads "201.2 /202.0" and returns how many bytes it used.
func readHeater(b []byte) (h heaterReading, used int) {
	h.valueC, h.has, used = readNumber(b, -100, 1000)
	for !h.has && used < len(b) && isWordOf(b[used]) && !(used+1 < len(b) && b[used+1] == ':') { // nan, inf, ---
		used++
	}
	rest := b[used:]
	slash := skipBlanks(rest)
	if slash < len(rest) && rest[slash] == '/' {
		var n int
		h.targetC, h.hasTarget, n = readNumber(rest[slash+1:], 0, 1000)
		used += slash + 1 + n
	}
	return h, used
}

// isWordOf reports whether a byte may be part of what stands for a number and is none.
func isWordOf(c byte) bool { return isLetter(c) || isDigit(c) || c == '-' || c == '.' || c == '?' }

// parsePosition reads "X:0.00 Y:0.00 Z:0.00 E:0.00 Count X:0 Y:0 Z:0", with or
// without blanks. What follows Count is in motor steps and not wanted.
func parsePosition(r *Reply, line []byte) bool {
	line = line[:min(len(line), maxText)]
	if i := bytes.Index(line, []byte("Count")); i >= 0 {
		line = line[:i]
	}
	var pos [4]float64
	var have [4]bool
	for i := 0; i+1 < len(line); i++ {
		axis := bytes.IndexByte([]byte("XYZE"), line[i])
		if axis < 0 || line[i+1] != ':' || have[axis] || (i > 0 && isLetter(line[i-1])) {
			continue
		}
		v, ok, used := readNumber(line[i+2:], -1e7, 1e7)
		if !ok {
			return false
		}
		pos[axis], have[axis] = v, true
		i += 1 + used
	}
	if !have[0] || !have[1] || !have[2] {
		return false
	}
	r.Position, r.HasPosition = pos, true
	return true
}

// readNumber reads a decimal number within the limits after blanks, and returns
// how many bytes it looked at. Exponents, nan and inf are not numbers here.
func readNumber(b []byte, low, high float64) (v float64, ok bool, used int) {
	i := skipBlanks(b)
	negative := false
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		negative = b[i] == '-'
		i++
	}
	digits, scale := 0, 1.0
	for ; i < len(b) && isDigit(b[i]); i++ {
		v = v*10 + float64(b[i]-'0')
		digits++
	}
	if i < len(b) && b[i] == '.' {
		for i++; i < len(b) && isDigit(b[i]); i++ {
			v = v*10 + float64(b[i]-'0')
			scale *= 10
			digits++
		}
	}
	v /= scale
	if negative {
		v = -v
	}
	// A number with more digits than a double holds is noise.
	ok = digits > 0 && digits <= 15 && v >= low && v <= high
	// "20e3" and "20k" are not 20: a letter must not follow, except a key.
	if i < len(b) && isLetter(b[i]) && (i+1 >= len(b) || b[i+1] != ':') && !(i+2 < len(b) && b[i+2] == ':') {
		ok = false
	}
	if !ok {
		v = 0
	}
	return v, ok, i
}

func skipBlanks(b []byte) int {
	i := 0
	for i < len(b) && (b[i] == ' ' || b[i] == '\t') {
		i++
	}
	return i
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func isLetter(c byte) bool { return c|0x20 >= 'a' && c|0x20 <= 'z' }
