package config

import (
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// unit is what a number in the file counts.
type unit struct {
	name string  // as messages show it
	kind string  // only units of one kind can be turned into each other
	size float64 // in the smallest unit of its kind used here
}

// The units that keys carry in their names. Times are in seconds, lengths in
// millimetres, feeds in millimetres per minute.
var (
	second   = unit{"s", "time", 1}
	minute   = unit{"min", "time", 60}
	hour     = unit{"h", "time", 3600}
	mm       = unit{"mm", "length", 1}
	metre    = unit{"m", "length", 1000}
	celsius  = unit{"C", "temperature", 1}
	feed     = unit{"mm/min", "feed", 1}
	speed    = unit{"mm/s", "feed", 60}
	accel    = unit{"mm/s2", "acceleration", 1}
	moves    = unit{"moves", "moves", 1}
	grams    = unit{"g", "weight", 1}
	drift    = unit{"mm/m", "drift", 1}
	density  = unit{"g/cm3", "density", 1}
	stepsMM  = unit{"steps/mm", "steps", 1}
	octets   = unit{"bytes", "size", 1}
	megabyte = unit{"MB", "size", 1e6}
	baudRate = unit{"bit/s", "rate", 1}
	parts    = unit{"parts", "count", 1}
	days     = unit{"days", "time", 86400}
	copies   = unit{"copies", "count", 1}
	percent  = unit{"%", "share", 1}
	times    = unit{"times a day", "count", 1}
	messages = unit{"messages", "messages", 1}
	level    = unit{"as level", "level", 1}
	ports    = unit{"as port number", "number", 1}
)

// spellings are the spellings people use, in lower case and without spaces.
var spellings = map[string][]unit{
	"ms": {{"ms", "time", 0.001}}, "s": {second}, "sec": {second}, "secs": {second}, "second": {second}, "seconds": {second},
	"m": {minute, {"m", "length", 1000}}, "min": {minute}, "mins": {minute}, "minute": {minute}, "minutes": {minute},
	"h": {hour}, "hr": {hour}, "hrs": {hour}, "hour": {hour}, "hours": {hour},
	"d": {{"d", "time", 86400}}, "day": {{"d", "time", 86400}}, "days": {{"d", "time", 86400}}, "week": {{"weeks", "time", 604800}}, "weeks": {{"weeks", "time", 604800}},
	"um": {{"um", "length", 0.001}}, "mm": {mm}, "cm": {{"cm", "length", 10}}, "metres": {{"m", "length", 1000}}, "meters": {{"m", "length", 1000}},
	"in": {{"in", "length", 25.4}}, "inch": {{"in", "length", 25.4}}, "inches": {{"in", "length", 25.4}}, "\"": {{"in", "length", 25.4}},
	"c": {celsius}, "°c": {celsius}, "°": {celsius}, "degc": {celsius},
	"mm/min": {feed}, "mm/m": {drift, feed}, "mm/s": {speed}, "mm/sec": {speed}, "mm/s2": {accel}, "mm/s^2": {accel}, "mm/s²": {accel}, "m/s2": {{"m/s2", "acceleration", 1000}}, "m/min": {{"m/min", "feed", 1000}},
	"g/cm3": {density}, "g/cm^3": {density}, "g/cm³": {density}, "g/cc": {density}, "kg/m3": {{"kg/m3", "density", 0.001}}, "kg/m³": {{"kg/m3", "density", 0.001}},
	"steps/mm": {stepsMM}, "b": {octets}, "byte": {octets}, "bytes": {octets}, "k": {{"k", "size", 1024}, {"k", "rate", 1000}}, "kb": {{"kB", "size", 1024}}, "kib": {{"KiB", "size", 1024}}, "mb": {megabyte}, "gb": {{"GB", "size", 1e9}},
	"baud": {baudRate}, "bd": {baudRate}, "bit/s": {baudRate}, "bps": {baudRate}, "kbaud": {{"kbaud", "rate", 1000}}, "kbit/s": {{"kbit/s", "rate", 1000}},
	"g": {grams}, "kg": {{"kg", "weight", 1000}}, "oz": {{"oz", "weight", 28.349523}}, "lb": {{"lb", "weight", 453.59237}},
	"w": {watt}, "kw": {{"kW", "power", 1000}}, "%": {percent}, "percent": {percent}, "part": {parts}, "parts": {parts}, "pcs": {parts},
}

// unitMistake says what is wrong with text that holds a number and a unit where
// a bare number belongs; found is false when it is something else.
func unitMistake(text string, want unit) (problem, remedy string, found bool) {
	number := strings.TrimSpace(text)
	end := strings.IndexFunc(number, func(c rune) bool {
		return !unicode.IsDigit(c) && !strings.ContainsRune("+-.,", c)
	})
	if end <= 0 {
		return "", "", false
	}
	word := strings.ToLower(strings.ReplaceAll(number[end:], " ", ""))
	value, err := strconv.ParseFloat(strings.Replace(number[:end], ",", ".", 1), 64)
	if err != nil {
		return "", "", false
	}
	if want == celsius && (word == "f" || word == "°f" || word == "degf") {
		return "is written in degrees Fahrenheit (" + quoteShort(text) + "), but the key's own unit is C", "write " + plain(fromFahrenheit(value)), true
	}
	units, known := spellings[word]
	if !known {
		// Compound times, such as 1h30m.
		d, err := time.ParseDuration(strings.ToLower(strings.ReplaceAll(number, " ", "")))
		if err != nil || want.kind != second.kind {
			return "", "", false
		}
		return "is written with units (" + quoteShort(text) + ")", "write " + plain(d.Seconds()/want.size) + ", the unit is " + want.name, true
	}
	for _, u := range units {
		if u.kind == want.kind {
			problem = "is written with the unit " + u.name + " (" + quoteShort(text) + "), but the key's own unit is " + want.name
			if u.size == want.size {
				problem = "is written with a unit (" + quoteShort(text) + ")"
			}
			return problem, "write " + plain(value*u.size/want.size), true
		}
	}
	if want.kind == "" {
		return "", "", false
	}
	return "is given in " + units[0].name + " (" + quoteShort(text) + "), but the key's own unit is " + want.name, "write a bare number in " + want.name, true
}

// plain writes a number as a person would, with at most six decimals.
func plain(v float64) string {
	if rounded := math.Round(v*1e6) / 1e6; rounded != 0 && !math.IsInf(rounded, 0) {
		v = rounded
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}
