package app

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"

	"beltwarden/config"
	"beltwarden/daemon/alert"
	"beltwarden/daemon/backup"
	"beltwarden/daemon/report"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// pegText is a part of some 20 minutes, and of so much belt that it wanders to its limit
// within days.
func pegText() string {
	var b strings.Builder
	b.WriteString("G21\nG90\nM83\nM140 S55\nM104 S200\nG28 X Z\nG92 Y0\nM190 S55\nM109 S200\nG1 X10 Y2 Z0.3 F3000\n;beltwarden body begin\n")
	for n := range 60 {
		fmt.Fprintf(&b, "G1 X%d Y%d E2 F900\nG4 S17\n", 20+n%2*30, 2+n%3*12)
	}
	b.WriteString(";beltwarden body end\nM104 S0\nM140 S0\n")
	return b.String()
}

func (s *shop) log() *zap.Logger {
	if os.Getenv("BELTWARDEN_LOG") == "" {
		return zap.NewNop()
	}
	l, err := zap.NewDevelopment()
	if err != nil {
		s.t.Fatal(err)
	}
	return l
}

// workWeek are the settings: nights without parts and without calls, checks by parts and by
// hours, a small bin.
func workWeek(t *testing.T) *config.Settings {
	c := settings(t)
	c.Machine.TemperaturePoll = 10 * time.Second
	c.Belt.WorstDriftMMPerM, c.Belt.LoopLengthMM, c.Belt.SeamWidthMM = 0.05, 1200, 8
	c.Hold.Attended = "06:00-22:00"
	c.Discharge.BinParts, c.Ledger.BackupKeep = 40, 3
	hook := func(name string, level int) config.Webhook {
		return config.Webhook{Receiver: config.Receiver{Name: name, Level: level}, URL: "http://" + name + ".example/", Timeout: 15 * time.Second}
	}
	c.Alerts.Webhooks = []config.Webhook{hook("phone", 1), hook("boss", 2)}
	c.Alerts.Mails = []config.Mail{{Receiver: config.Receiver{Name: "mail", Level: 1}, Host: "mail.example", TLS: config.MailPlain,
		From: "belt@workshop.example", To: []string{"kim@workshop.example"}, Timeout: 30 * time.Second}}
	c.Alerts.Quiet, c.Alerts.QuietHolds, c.Alerts.EscalateAfter = "22:00-06:30", true, 45*time.Minute
	return c
}

// badHours are those of the receivers, by hours since the begin.
func badHours(begun time.Time) map[string]func(time.Time) string {
	type span struct {
		from, to float64
		mood     string
	}
	in := func(list ...span) func(time.Time) string {
		return func(now time.Time) string {
			h := now.Sub(begun).Hours()
			for _, s := range list {
				if s.from <= h && h < s.to {
					return s.mood
				}
			}
			return ""
		}
	}
	return map[string]func(time.Time) string{
		"phone": in(span{6, 12, "slow"}, span{14, 17, "busy"}, span{32, 44, "away"}, span{60, 66, "hangs"}, span{80, 90, "refuses"}, span{128, 140, "away"}),
		"mail":  in(span{8, 11, "away"}, span{36, 50, "busy"}, span{100, 130, "away"}),
		"boss":  in(span{10, 15, "busy"}, span{56, 70, "away"}),
	}
}

// day is what is measured at the end of one.
type day struct {
	heap       uint64
	goroutines int
}

func measured() day {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return day{m.HeapAlloc, runtime.NumGoroutine()}
}

// TestWeek runs the whole daemon, sockets apart, through days of virtual time: lots one
// after the other, holds of every kind, a person who comes late, receivers of alerts with
// bad hours, a fault and a restart every day, a disk that fills up. It is a working day as a
// rule, and with BELTWARDEN_DAYS=7 a week. Whatever happens: the count is the machine's own, no waiting machine stays
// hot, every alert is sent once and nobody is woken for what can wait, copies of the ledger
// are made and kept, and memory does not grow.
func TestWeek(t *testing.T) {
	days, long := 1, 12*time.Hour
	if text := os.Getenv("BELTWARDEN_DAYS"); text != "" {
		var err error
		if days, err = strconv.Atoi(text); err != nil || days < 1 {
			t.Fatalf("BELTWARDEN_DAYS=%s", text)
		}
		long = 24 * time.Hour
	}
	c := workWeek(t)
	path := filepath.Join(filepath.Dir(c.Ledger.Path), "peg.gcode")
	if err := os.WriteFile(path, []byte(pegText()), 0o600); err != nil {
		t.Fatal(err)
	}
	real := time.Now()
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(time.Date(2030, time.January, 7, 0, 0, 0, 0, time.UTC))) // a clock that is set
		rs := rig.DefaultSettings()
		rs.Belt.Axis, rs.Belt.LoopLengthMM, rs.Belt.DriftPerTravelMMPerM, rs.Belt.JitterMMPerSqrtM = 'Y', 1200, 0.03, 0.05
		rs.RecordTo, rs.ReadTimeout = io.Discard, time.Second
		r, err := rig.New(rs)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		time.Sleep(6 * time.Hour) // the bubble's clock begins at midnight
		s := &shop{t: t, c: c, r: rand.New(rand.NewPCG(7, 7)), rig: r, web: newWeb()}
		defer s.web.shut()
		begun := time.Now()
		s.web.bad = badHours(begun)
		s.free = func(now time.Time) int64 { // one hour a day the disk is full
			if h := now.Sub(begun).Hours(); h > 3 && int(h)%24 == 4 {
				return 40e6
			}
			return 5e9
		}
		s.alter = func(h *config.Hold, n int) { // checks by parts one day, by hours the next
			if h.EveryParts, h.Every = 7, 12*time.Hour; n%2 == 1 {
				h.EveryParts, h.Every = 50, 3*time.Hour
			}
		}
		s.begin()
		if s.plan, err = s.app.jobs.inspect(t.Context(), path, job.Lines{}); err != nil {
			t.Fatal(err)
		}
		var figures []day
		for n := range days {
			s.day(begun.Add(time.Duration(n)*24*time.Hour), long)
			figures = append(figures, measured())
		}
		s.finish()
		s.judge(days, long, figures)
		s.end()
	})
	t.Logf("it took %s", time.Since(real).Round(time.Second))
}

// day lets one pass: a restart at some time, a fault at another, somebody who looks at the
// screen all day.
func (s *shop) day(begun time.Time, long time.Duration) {
	restart := begun.Add(time.Duration(2+s.r.IntN(6)) * time.Hour).Add(time.Duration(s.r.IntN(3600)) * time.Second)
	fault := begun.Add(time.Duration(6+s.r.IntN(5)) * time.Hour).Add(time.Duration(s.r.IntN(3600)) * time.Second)
	kind := s.r.IntN(3)
	var replug time.Time
	for n := 0; time.Since(begun) < long; n++ {
		now := time.Now()
		switch {
		case !restart.IsZero() && now.After(restart):
			restart = time.Time{}
			s.end()
			time.Sleep(30 * time.Second)
			s.begin()
			s.last = ""
		case !fault.IsZero() && now.After(fault):
			fault = time.Time{}
			s.faults++
			if kind == 0 {
				s.rig.Reset()
			} else {
				s.rig.Unplug()
				replug = now.Add(time.Duration(1+s.r.IntN(20)) * time.Minute)
			}
		case !replug.IsZero() && now.After(replug):
			replug = time.Time{}
			s.rig.Replug()
		}
		s.watch()
		if n%20 == 0 {
			s.scrape()
		}
		time.Sleep(30 * time.Second)
	}
}

// scrape reads the pages and the metrics as browsers and Prometheus do.
func (s *shop) scrape() {
	s.t.Helper()
	for _, path := range []string{"/", "/metrics", "/api/v1/status", "/events"} {
		r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:7353"+path, nil)
		r.RemoteAddr = "127.0.0.1:40000"
		w := httptest.NewRecorder()
		s.app.handler.ServeHTTP(w, r)
		if w.Code != http.StatusOK {
			s.t.Fatalf("%s: GET %s: %d %s", clock(), path, w.Code, w.Body.String())
		}
	}
}

// finish lets the last part end and be judged, and gives the receivers time until all is
// sent; nothing is begun any more.
func (s *shop) finish() {
	time.Sleep(time.Minute)
	if shot := s.app.Snapshot(); shot.State.Acting() {
		_ = s.do(supervisor.Request{Command: supervisor.Stop, AfterPart: true})
	}
	for range 40 {
		if time.Sleep(time.Hour); s.allSent() {
			return
		}
		if shot := s.app.Snapshot(); shot.Line.Connected && shot.State.String() == "Aborted" {
			s.recover()
		}
	}
}

// allSent says whether every receiver has got everything.
func (s *shop) allSent() bool {
	for _, name := range s.app.calls.Names() {
		left, err := s.app.ledger.PendingAlerts(context.Background(), name, time.Now().Add(48*time.Hour), 0)
		if err != nil || len(left) > 0 {
			return false
		}
	}
	return true
}

// judge holds what happened against what was promised.
func (s *shop) judge(days int, long time.Duration, figures []day) {
	t, ctx := s.t, context.Background()
	made, open, good := s.counts()
	whole := s.whole()
	if open != 0 || made != whole {
		t.Errorf("%d made by the ledger, %d undecided; the machine made %d", made, open, whole)
	}
	if want := int(float64(days) * long.Hours() * 0.6); made < want {
		t.Errorf("%d parts in %d days: too few to mean anything", made, days)
	}
	sent, messages := s.judgeAlerts()
	reasons := map[string]int{}
	holds, err := s.app.ledger.Holds(ctx, 0)
	if err != nil {
		t.Error(err)
	}
	for _, h := range holds {
		reasons[h.Reason]++
	}
	for _, why := range []string{supervisor.CauseCheckParts, supervisor.CauseCheckTime, supervisor.CauseOffset, supervisor.CauseFilament,
		supervisor.CauseBin, supervisor.CauseUnattended, supervisor.CauseDisk} {
		if days >= 7 && reasons[why] == 0 {
			t.Errorf("in all this time it never waited for %s", why)
		}
	}
	list, err := backup.List(s.c.Ledger.BackupFolder)
	// The disk's clock is ahead of the virtual one, so that each start makes one too.
	if err != nil || len(list) != min(s.starts+days-1, s.c.Ledger.BackupKeep) {
		t.Errorf("%d copies of the ledger are kept, %v", len(list), err)
	}
	first := figures[min(1, len(figures)-1)]
	last := figures[len(figures)-1]
	// The simulated machine remembers each of its parts: some hundred bytes.
	if last.heap > first.heap+4<<20 || last.goroutines > first.goroutines+3 {
		t.Errorf("from day 2 to the end memory went from %d to %d bytes, goroutines from %d to %d", first.heap, last.heap, first.goroutines, last.goroutines)
	}
	before := s.reports()
	kept, err := s.app.ledger.Trim(ctx, ledger.Retention{Before: time.Now().Add(-time.Hour), Newest: ledger.MinNewest, Receivers: s.app.calls.Names()})
	if err != nil {
		t.Error(err)
	}
	if diff := cmp.Diff(before, s.reports()); diff != "" {
		t.Errorf("after what is old was removed the reports differ: %s", diff)
	}
	t.Logf("%s of virtual time: %d parts made and %d found good in %d lots, the machine's record %d; %d starts of the daemon, %d faults; %d visits, %d checks corrected, %d times \"I know\"; holds by reason: %v",
		time.Duration(days)*long, made, good, s.lots, whole, s.starts, s.faults, s.visits, s.fixed, s.calls, reasons)
	t.Logf("alerts: %d raised, each sent once on each receiver or not needed there, in messages %v; a waiting machine was hot for %s at most, one whose cable is out included; %d copies kept; by day heap in MB and goroutines: %s; %d details removed of a ledger that then tells the same",
		sent, messages, s.hot.Round(time.Second), len(list), inMB(figures), kept.Rows())
}

func inMB(list []day) string {
	var out []string
	for _, d := range list {
		out = append(out, fmt.Sprintf("%.1f/%d", float64(d.heap)/1e6, d.goroutines))
	}
	return strings.Join(out, " ")
}

// judgeAlerts: each alert was sent on each receiver once, alone or with others, or was not
// needed there; and nobody was woken for what can wait.
func (s *shop) judgeAlerts() (alerts int, messages map[string]int) {
	t, ctx := s.t, context.Background()
	all, sent, took := map[string]ledger.Alert{}, map[string]int{}, map[string]int{} // messages and alerts, by receiver
	queue, err := s.app.ledger.AlertQueue(ctx)
	if err != nil {
		t.Error(err)
	}
	for _, q := range queue {
		took[q.Name] = q.Delivered
	}
	for _, name := range s.app.calls.Names() {
		list, err := s.app.ledger.Sent(ctx, name, 0)
		if err != nil {
			t.Error(err)
		}
		for _, a := range list {
			all[a.ID] = a
		}
		sent[name] = len(list)
		if left, err := s.app.ledger.PendingAlerts(ctx, name, time.Now().Add(48*time.Hour), 0); err != nil || len(left) > 0 {
			t.Errorf("%s has not got %d alerts: %+v, %v", name, len(left), left[:min(3, len(left))], err)
		}
	}
	s.web.mu.Lock()
	defer s.web.mu.Unlock()
	messages = map[string]int{}
	for name, calls := range s.web.got {
		messages[name] = len(calls)
		seen := map[string]bool{}
		for _, c := range calls {
			urgent := false
			for _, id := range c.ids {
				if seen[id] {
					t.Errorf("%s got %s twice", name, id)
				}
				seen[id] = true
				a, ok := all[id]
				urgent = urgent || !ok || alert.UrgencyOf(a) == alert.Urgent
			}
			if m := c.at.Hour()*60 + c.at.Minute(); !urgent && (m >= 22*60 || m < 6*60+30) {
				t.Errorf("%s was woken at %s for %v", name, c.at.Format("Mon 15:04"), c.ids)
			}
		}
		alerts = max(alerts, len(seen))
		switch got := took[name]; {
		case name == "mail" && len(calls) != sent[name]:
			t.Errorf("%d mails were taken, by the ledger %d", len(calls), sent[name])
		case name != "mail" && len(seen) != got:
			t.Errorf("%s took %d alerts, by the ledger %d", name, len(seen), got)
		}
	}
	return alerts, messages
}

// reports are those of all lots, as JSON for the workshop.
func (s *shop) reports() map[int64]*report.Report {
	s.t.Helper()
	all := map[int64]*report.Report{}
	lots, err := s.app.ledger.Lots(context.Background())
	if err != nil {
		s.t.Fatal(err)
	}
	now := time.Now()
	for _, l := range lots {
		r, err := report.Read(context.Background(), s.app.ledger, l.ID, ReportSettings(s.c), now)
		if err != nil {
			s.t.Fatal(err)
		}
		all[l.ID] = r
	}
	return all
}
