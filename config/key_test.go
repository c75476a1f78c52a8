package config

import (
	"fmt"
	"testing"
	"time"
)

func TestKeysAreWellFormed(t *testing.T) {
	seen := map[string]bool{}
	for i := range keys {
		k := &keys[i]
		if seen[k.path()] {
			t.Errorf("%s stands twice in the table", k.path())
		}
		seen[k.path()] = true
		if k.required != (requiredRemedies[k.path()] != "") {
			t.Errorf("%s: required, and how to find it, do not agree", k.path())
		}
		// The default must be a value that could have been written.
		var v float64
		switch p := k.at(Default()).(type) {
		case *float64:
			v = *p
		case *time.Duration:
			v = p.Seconds() / k.unit.size
		case *int:
			v = float64(*p)
		default:
			continue
		}
		if k.required || k.choices != nil || k.zeroOff && v == 0 {
			continue
		}
		if v < k.min || v > k.max {
			t.Errorf("%s: default %v is outside %s", k.path(), v, k.bounds())
		}
	}
}

// Each setting must be reached by one key only.
func TestKeysPointAtDifferentSettings(t *testing.T) {
	s := Default()
	owner := map[string]string{}
	for i := range keys {
		address := fmt.Sprintf("%p", keys[i].at(s))
		if other := owner[address]; other != "" {
			t.Errorf("%s and %s are one setting", other, keys[i].path())
		}
		owner[address] = keys[i].path()
	}
}

func TestUnitMistakes(t *testing.T) {
	// Conversions by definition: 25.4 mm to the inch, 60 s to the minute.
	for _, c := range []struct {
		text   string
		want   unit
		remedy string
	}{
		{"3h", second, "write 10800"}, {"90 min", hour, "write 1.5"}, {"500ms", second, "write 0.5"}, {"2 days", hour, "write 48"},
		{"1h30m", minute, "write 90, the unit is min"}, {"5m", minute, "write 5"}, {"5m", mm, "write 5000"},
		{"20 mm", mm, "write 20"}, {"1,5 cm", mm, "write 15"}, {"2in", mm, "write 50.8"}, {"-3 mm", mm, "write -3"},
		{"20 mm/s", feed, "write 1200"}, {"6 m/min", feed, "write 6000"}, {"1200mm/min", feed, "write 1200"},
		{"35°C", celsius, "write 35"}, {"1240 kg/m3", density, "write 1.24"}, {"1.24 g/cm³", density, "write 1.24"},
		{"250k", baudRate, "write 250000"}, {"1k", octets, "write 1024"}, {"0.5 mm/m", drift, "write 0.5"},
		{"20 mm", hour, "write a bare number in h"},
	} {
		_, remedy, found := unitMistake(c.text, c.want)
		if !found || remedy != c.remedy {
			t.Errorf("%q for %s: %q, %t, want %q", c.text, c.want.name, remedy, found, c.remedy)
		}
	}
	for _, text := range []string{"", "mm", "20", "fast", "1.2.3 mm", "20 furlongs", "--"} {
		if _, remedy, found := unitMistake(text, mm); found {
			t.Errorf("%q taken for a unit: %s", text, remedy)
		}
	}
}

func TestDistance(t *testing.T) {
	// kitten to sitting is the textbook example of Levenshtein distance, 3; a
	// swap of neighbours counts as one.
	for _, c := range []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"", "abc", 3}, {"abc", "", 3}, {"baud", "baud", 0}, {"buad", "baud", 1}, {"nozzel", "nozzle", 1}} {
		if got := distance(c.a, c.b); got != c.want {
			t.Errorf("%s to %s: %d, want %d", c.a, c.b, got, c.want)
		}
	}
}

func TestListenAddresses(t *testing.T) {
	for address, want := range map[string]bool{
		"127.0.0.1:7353": true, "127.8.8.8:1": true, "[::1]:7353": true, "localhost:7353": true, "[::ffff:127.0.0.1]:7353": true,
		":7353": false, "0.0.0.0:7353": false, "[::]:7353": false, "192.168.1.4:7353": false, "localhost.example.org:7353": false, "[fe80::1%lo]:7353": false,
	} {
		if problem, _ := listenRule(address); problem != "" {
			t.Errorf("%s: %s", address, problem)
		}
		if Loopback(address) != want {
			t.Errorf("%s: loopback is %t", address, !want)
		}
	}
	for _, address := range []string{"127.0.0.1", "127.0.0.1:http", "127.0.0.1:70000", "127.0.0.1:-1", "127.0.0.1:+80", "::1:80", "300.1.1.1:80", "a b:80", "127.1:80"} {
		if problem, _ := listenRule(address); problem == "" {
			t.Errorf("%s is accepted", address)
		}
	}
}
