package supervisor

import (
	"encoding/csv"
	"os"
	"testing"
)

// TestTransitionsAreTheStandards compares the transition table with the one
// published for ANSI/ISA-TR88.00.02 (OPC 30050, node set 1.01): every row of it,
// and no transition besides.
func TestTransitionsAreTheStandards(t *testing.T) {
	f, err := os.Open("../testdata/reference/tr88-transitions.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	states := map[string]State{}
	for _, s := range States() {
		states[s.String()] = s
	}
	commands := map[string]Command{StateComplete.String(): StateComplete}
	for _, c := range Commands() {
		commands[c.String()] = c
	}
	type edge struct {
		from State
		by   Command
	}
	published := map[edge]State{}
	for _, row := range rows[1:] {
		from, okFrom := states[row[0]]
		by, okBy := commands[row[1]]
		to, okTo := states[row[2]]
		if !okFrom || !okBy || !okTo {
			t.Fatalf("row %v names an unknown state or command", row)
		}
		published[edge{from, by}] = to
	}
	if len(published) != 52 {
		t.Fatalf("published table has %d distinct rows, want 47 base and 5 optional", len(published))
	}
	for _, from := range States() {
		for _, by := range append(Commands(), StateComplete) {
			got, ok := Transition(from, by)
			want, listed := published[edge{from, by}]
			switch {
			case ok && !listed:
				t.Errorf("%s by %s leads to %s, the standard has no such transition", from, by, got)
			case !ok && listed:
				t.Errorf("%s by %s is refused, the standard leads to %s", from, by, want)
			case ok && got != want:
				t.Errorf("%s by %s leads to %s, the standard says %s", from, by, got, want)
			}
		}
	}
}

// TestStateNumbers compares the numbers with those of the published node set.
func TestStateNumbers(t *testing.T) {
	want := map[State]int{Clearing: 1, Stopped: 2, Starting: 3, Idle: 4, Suspended: 5, Execute: 6, Stopping: 7,
		Aborting: 8, Aborted: 9, Holding: 10, Held: 11, Unholding: 12, Suspending: 13, Unsuspending: 14,
		Resetting: 15, Completing: 16, Complete: 17}
	if len(States()) != 17 {
		t.Fatalf("%d states, want 17", len(States()))
	}
	for s, n := range want {
		if int(s) != n {
			t.Errorf("%s is %d, want %d", s, int(s), n)
		}
		var back State
		if text, _ := s.MarshalText(); back.UnmarshalText(text) != nil || back != s {
			t.Errorf("%s does not survive its name", s)
		}
	}
}
