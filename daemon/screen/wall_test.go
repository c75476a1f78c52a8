package screen

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"beltwarden/supervisor"
	"beltwarden/supervisor/bed"
)

var noon = time.Date(2026, 3, 4, 12, 0, 0, 0, time.Local)

// onWall is a run that is well, as a wall sees it.
func onWall(alter func(*supervisor.Snapshot)) Seen {
	s := &supervisor.Snapshot{At: noon, Machine: "clip machine", State: supervisor.Execute, Since: noon.Add(-time.Hour), Line: supervisor.LineView{Connected: true},
		Lot:  &supervisor.LotView{Status: "open", Ordered: 240, Made: 30, Good: 20, Unverified: 10, Wanted: 210, Ready: &supervisor.ReadyView{At: noon.Add(4 * time.Hour)}},
		Next: &supervisor.NextVisit{Reason: supervisor.CauseCheckParts, Parts: 15, At: noon.Add(26 * time.Minute)},
		Heat: supervisor.HeatView{HasNozzle: true, HasBed: true, NozzleC: 205, NozzleTargetC: 205, BedC: 60, BedTargetC: 60, Read: noon}}
	s.Belt.Parts = []bed.Place{{Ordinal: 1}, {Ordinal: 2, Making: true}}
	s.Belt.OffsetLimitMM = 3
	alter(s)
	return Seen{Name: "http://clips.example", Snapshot: s, Heard: noon}
}

// The three numbers answer the question of who looks up: when, and how many good parts by then; or since when it waits,
// and what is to be looked at.
func TestWallNumbers(t *testing.T) {
	for _, c := range []struct {
		name  string
		alter func(*supervisor.Snapshot)
		want  string
	}{
		{"making", func(*supervisor.Snapshot) {}, "Good 20 of 240 10 not looked at | Next visit 12:26 in 26 min, check | Good by then 45 all 240: 16:00"},
		{"last part", func(s *supervisor.Snapshot) { s.State = supervisor.Holding }, "Good 20 of 240 10 not looked at | Next visit soon after this part | Good by then 45 all 240: 16:00"},
		{"more than ordered", func(s *supervisor.Snapshot) { s.Next.Parts = 500 }, "Good 20 of 240 10 not looked at | Next visit 12:26 in 26 min, check | Good by then 240 all 240: 16:00"},
		{"another day", func(s *supervisor.Snapshot) { s.Next.At = noon.Add(24 * time.Hour) }, "Good 20 of 240 10 not looked at | Next visit 12:00 Thu 5 Mar, check | Good by then 45 all 240: 16:00"},
		{"doubtful clock", func(s *supervisor.Snapshot) { s.Clock = "it stands in 1970" }, "Good 20 of 240 10 not looked at | Next visit 26 min from now, check | Good by then 45 if all are good"},
		{"held", func(s *supervisor.Snapshot) { s.State, s.Next = supervisor.Held, nil }, "Good 20 of 240 | Since 11:00 60 min | Not looked at 10 parts"},
		{"fault", func(s *supervisor.Snapshot) { s.State, s.Lot.Interrupted = supervisor.Aborted, 1 }, "Good 20 of 240 | Since 11:00 60 min | Not looked at 10 1 interrupted"},
		{"complete", func(s *supervisor.Snapshot) {
			s.State, s.Next = supervisor.Complete, nil
			s.Lot = &supervisor.LotView{Status: "done", Ordered: 4, Made: 5, Good: 4, Scrap: 1}
		}, "Good 4 of 4 | Next visit none | Scrap 1 parts"},
		{"no lot", func(s *supervisor.Snapshot) { s.State, s.Lot, s.Next = supervisor.Idle, nil, nil }, "Good – no lot | Next visit none | On the belt 1 parts"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var list []string
			for _, n := range cellOf(onWall(c.alter), 1).Numbers {
				list = append(list, strings.Join(strings.Fields(strings.Join([]string{n.Label, n.Value, n.Of, n.Small}, " ")), " "))
			}
			if got := strings.Join(list, " | "); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

// Whether the heaters are off is never said more certainly than it is known.
func TestWallHeat(t *testing.T) {
	for _, c := range []struct {
		name  string
		alter func(*supervisor.Snapshot)
		want  string
		hot   bool
	}{
		{"on", func(*supervisor.Snapshot) {}, "Heaters on", false},
		{"off", func(s *supervisor.Snapshot) { s.Heat.NozzleTargetC, s.Heat.BedTargetC = 0, 0 }, "Heaters off", false},
		{"never read", func(s *supervisor.Snapshot) { s.Heat = supervisor.HeatView{} }, "Heaters not read", true},
		{"board away", func(s *supervisor.Snapshot) {
			s.Line.Connected, s.Heat.NozzleTargetC, s.Heat.BedTargetC = false, 0, 0
		}, "Heaters not read", true},
		{"unsure", func(s *supervisor.Snapshot) { s.Heat.Unsure = true }, "Heaters may be on", true},
		{"proof under way", func(s *supervisor.Snapshot) { s.State, s.Heat.Proof = supervisor.Aborted, "not yet" }, "Heaters not shown to be off", true},
		{"proved", func(s *supervisor.Snapshot) {
			s.State, s.Heat.Proof, s.Heat.Proved = supervisor.Aborted, "shown", true
		}, "Heaters shown to be off", false},
		{"heat fault", func(s *supervisor.Snapshot) { s.State, s.HeatFault = supervisor.Stopped, "nozzle" }, "Heaters not shown to be off", true},
	} {
		if v := cellOf(onWall(c.alter), 1); v.Proof != c.want || v.Hot != c.hot {
			t.Errorf("%s: %q, %v; want %q, %v", c.name, v.Proof, v.Hot, c.want, c.hot)
		}
	}
}

// The drawing keeps the offset to scale, and what is not known to either side.
func TestWallBelt(t *testing.T) {
	mm := func(v float64) func(*supervisor.Snapshot) {
		return func(s *supervisor.Snapshot) { s.Belt.OffsetMM = &v }
	}
	for _, c := range []struct {
		name  string
		alter func(*supervisor.Snapshot)
		want  beltLine
	}{
		{"middle", mm(0), beltLine{Offset: "+0.0 mm", Limit: "limit 3.0 mm", Parts: "1 part on it", Drawn: true, Known: true, X: 500, From: 500}},
		{"half to the left", mm(-1.5), beltLine{Offset: "-1.5 mm", Limit: "limit 3.0 mm", Parts: "1 part on it", Drawn: true, Known: true, X: 300, From: 300, Wide: 200}},
		{"far out", mm(40), beltLine{Offset: "+40.0 mm", Limit: "beyond limit 3.0 mm", Parts: "1 part on it", Drawn: true, Known: true, Over: true, X: 980, From: 500, Wide: 480}},
		{"not read", func(s *supervisor.Snapshot) { s.Belt.WorstOffsetMM = 1.5 }, beltLine{Offset: "not read", Limit: "limit 3.0 mm", Parts: "1 part on it", Drawn: true, X: 700, From: 300, Wide: 400}},
		{"no limit", func(s *supervisor.Snapshot) { s.Belt.OffsetLimitMM = 0 }, beltLine{Offset: "not read", Limit: "no limit", Parts: "1 part on it"}},
	} {
		if got := wallBelt(&onWall(c.alter).Snapshot.Belt); got != c.want {
			t.Errorf("%s:\ngot  %+v\nwant %+v", c.name, got, c.want)
		}
	}
}

// A machine that is away says so in its own place, with what was known last; one that was never heard of shows nothing else.
func TestWallWithoutContact(t *testing.T) {
	away, never := onWall(func(*supervisor.Snapshot) {}), Seen{Name: "https://pegs.example:7353", Lost: "it does not answer"}
	away.Lost = "it does not answer"
	h := NewWall(WallOptions{Machines: []func() Seen{
		func() Seen { return onWall(func(*supervisor.Snapshot) {}) }, func() Seen { return away }, func() Seen { return never },
	}, Log: zap.NewNop()})
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/wall", nil))
	var cells []string
	for _, part := range strings.Split(w.Body.String(), "<section")[1:] {
		cell, _, _ := strings.Cut(part, "</section>")
		cells = append(cells, cell)
	}
	if w.Code != http.StatusOK || len(cells) != 3 {
		t.Fatalf("%d, %d cells", w.Code, len(cells))
	}
	if strings.Contains(cells[0], "away") {
		t.Error("the first is marked as away")
	}
	for _, want := range []string{"cell-working away", "Last known: making. It does not answer", "12:00:00"} {
		if !strings.Contains(cells[1], want) {
			t.Errorf("the second lacks %q: %s", want, cells[1])
		}
	}
	if !strings.Contains(cells[2], "cell-none") || !strings.Contains(cells[2], "Not reached yet: it does not answer") || strings.Contains(cells[2], "Good") {
		t.Errorf("the third: %s", cells[2])
	}
}

// A run that renews its picture no more is no contact, though the daemon answers.
func TestWallOfARunThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		shot := *onWall(func(*supervisor.Snapshot) {}).Snapshot
		shot.At = time.Now()
		see := ownRun(&script{shot: &shot})
		time.Sleep(wallStale)
		if lost := see().Lost; lost != "" {
			t.Errorf("after %v: %s", wallStale, lost)
		}
		time.Sleep(time.Second)
		if see().Lost == "" {
			t.Error("a run that hangs counts as contact")
		}
	})
}

// What is too long for its place ends at a word, with a mark.
func TestShortened(t *testing.T) {
	for _, c := range []struct {
		text    string
		letters int
		want    string
	}{
		{"Check due", 9, "Check due"},
		{"The belt stands off, by far", 22, "The belt stands off…"},
		{"überlangeswortohnelücke", 9, "überlang…"},
	} {
		if got := shortened(c.text, c.letters); got != c.want || len([]rune(got)) > c.letters {
			t.Errorf("%q in %d: %q, want %q", c.text, c.letters, got, c.want)
		}
	}
}

// What people have typed stands on the wall as text.
func TestWallOfHostileNames(t *testing.T) {
	b := setUp(t)
	b.run.show(onWall(func(s *supervisor.Snapshot) {
		s.Machine, s.State, s.Cause.Text = hostile, supervisor.Aborted, hostile
	}).Snapshot)
	w := httptest.NewRecorder()
	b.ServeHTTP(w, httptest.NewRequest("GET", "/wall", nil))
	if body := w.Body.String(); strings.Contains(body, "<script>alert") || strings.Contains(body, "<img") || !strings.Contains(body, "&lt;script&gt;") {
		t.Error("a name stands in the page as it is")
	}
}
