package ledger

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// sector is what a disk or card writes whole, or not at all.
const sector = 512

// torn mixes what a file was before the last commit with what it is after it: of the
// sectors that differ each may have reached the disk or not, in any order, and the file may
// be of any length in between.
func torn(rng *rand.Rand, before, after []byte) []byte {
	out := bytes.Clone(after)
	lost := []float64{0, 0.05, 0.5}[rng.IntN(3)]
	for at := 0; at < len(out); at += sector {
		end := min(at+sector, len(out))
		old := make([]byte, end-at) // a sector that was never written holds zeros
		if at < len(before) {
			copy(old, before[at:min(end, len(before))])
		}
		if !bytes.Equal(old, out[at:end]) && rng.Float64() < lost {
			copy(out[at:end], old)
		}
	}
	if len(after) > len(before) && rng.IntN(2) == 0 {
		out = out[:len(before)+rng.IntN(len(after)-len(before)+1)]
	}
	return out
}

// TestPowerCut cuts the power at random moments in the middle of a commit: all that was
// committed before is there, the commit under way is there whole or not at all, and nothing
// is wrong with the file. That a commit which has returned was synced by then rests on the
// modes that are checked at every opening (durable).
func TestPowerCut(t *testing.T) {
	cases := 40
	if underRace || testing.Short() {
		cases = 10
	}
	if text := os.Getenv("BELTWARDEN_CUTS"); text != "" {
		var err error
		if cases, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	}
	rng := rand.New(rand.NewPCG(3, 5))
	whole, none := 0, 0
	for n := range cases {
		dir := t.TempDir()
		path := filepath.Join(dir, "ledger.db")
		l, err := Open(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		commit(t, l, oldRecords()[:9]...)
		events := 1 + rng.IntN(30)
		for k := range events {
			commit(t, l, EventNoted{"note", fmt.Sprintf("before the cut %d", k)})
		}
		files := []string{path, path + "-wal"}
		read := func() (list [][]byte) {
			for _, f := range files {
				data, err := os.ReadFile(f)
				if err != nil {
					t.Fatal(err)
				}
				list = append(list, data)
			}
			return list
		}
		before := read()
		last := []Record{EventNoted{"note", "under way"}}
		for range rng.IntN(20) { // a commit of several pages
			last = append(last, EventNoted{"note", string(bytes.Repeat([]byte("x"), rng.IntN(900)))})
		}
		commit(t, l, last...)
		after := read()
		if bytes.Equal(before[1], after[1]) {
			t.Fatal("the commit has written nothing to its log")
		}
		cut := filepath.Join(dir, "cut.db")
		for i, end := range []string{"", "-wal"} {
			if err := os.WriteFile(cut+end, torn(rng, before[i], after[i]), 0o640); err != nil {
				t.Fatal(err)
			}
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		again, err := Open(cut, Options{})
		if err != nil {
			t.Fatalf("case %d: after the cut: %v", n, err)
		}
		list := must(again.Events(context.Background(), 0, 0))(t)
		switch len(list) {
		case events:
			none++
		case events + len(last):
			whole++
		default:
			t.Errorf("case %d: %d events were committed and %d were under way; there are %d", n, events, len(last), len(list))
		}
		if c := must(again.Counts(context.Background(), 1))(t); c.Made != 1 || c.Interrupted != 1 {
			t.Errorf("case %d: counts %+v", n, c)
		}
		if problems := must(again.Check(context.Background()))(t); len(problems) > 0 {
			t.Errorf("case %d: %q", n, problems)
		}
		if err := again.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("power cuts in a commit: %d; the commit was there whole: %d, not at all: %d; losses of earlier ones: 0 unless said above", cases, whole, none)
}
