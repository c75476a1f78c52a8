package report

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// samples are reports that others look at: the tests of pages in a browser, and people.
const samples = "../../testdata/reports"

// TestSamples holds the JSON form to what is kept, so that a change of it is seen; and
// a report that is read back from it says the same. UPDATE=1 writes it again.
func TestSamples(t *testing.T) {
	for name, r := range map[string]*Report{"clips": clips().read(t, workshopSettings, 24*time.Hour), "in-work": inWork().read(t, workshopSettings, 3000*time.Second),
		"three-jobs": threeJobs().read(t, workshopSettings, 24*time.Hour)} {
		text, err := json.MarshalIndent(r, "", " ")
		if err != nil {
			t.Fatal(err)
		}
		text = append(text, '\n')
		path := filepath.Join(samples, name+".json")
		if os.Getenv("UPDATE") != "" {
			if err := os.WriteFile(path, text, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		kept, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(kept, text) {
			t.Errorf("%s is not what is written now; look at the difference, and write it anew with UPDATE=1", path)
		}
		var again Report
		if err := json.Unmarshal(kept, &again); err != nil {
			t.Fatal(err)
		}
		var back, page bytes.Buffer
		if err := again.HTML(&back); err != nil {
			t.Fatal(err)
		}
		if err := r.HTML(&page); err != nil {
			t.Fatal(err)
		}
		if back.String() != page.String() {
			t.Errorf("%s: the page of a report that was read back differs", name)
		}
	}
}
