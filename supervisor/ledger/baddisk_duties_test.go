package ledger

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// courseLength is the number of commits in a course.
const courseLength = 16

// course is the n-th commit of a lot, from 0: the lot, then for each part what a run commits.
func course(n int) []Record {
	belt := Belt{TravelMM: float64(n) * 30, AdvanceMM: float64(n) * 30, Known: true}
	note := EventNoted{"note", fmt.Sprintf("%d %s", n, strings.Repeat("x", 700))}
	part := int64((n-1)/3 + 1)
	switch {
	case n == 0:
		return []Record{LotOpened{clips(1, 40)}, note}
	case n%3 == 1:
		return []Record{CycleBegun{Seq: part, LotID: 1, Ordinal: int(part), EndNumber: 900_000_000, Belt: belt}, note}
	case n%3 == 2:
		return []Record{CycleMade{Seq: part, Belt: belt, Evidence: EvidenceConfirmed}, note, BeltMoved{belt}}
	}
	return []Record{CycleDischarged{Seq: part, Belt: belt}, note, AlertQueued{Alert{ID: fmt.Sprint("part-", part), Kind: "hold"}}}
}

// reached is what a ledger holds after the first n commits of the course.
type reached struct{ Notes, Lots, Begun, Made, Alerts int }

func afterCourse(n int) reached {
	r := reached{Notes: n, Lots: min(n, 1)}
	if n > 1 {
		r.Begun, r.Made, r.Alerts = (n-1+2)/3, (n-1+1)/3, (n-1)/3
	}
	return r
}

// look reads what a ledger holds of the course.
func (s *scene) look(l *Ledger) (r reached) {
	ctx := context.Background()
	events, err := l.Events(ctx, 0, 0)
	if err != nil {
		s.complain("reading afterwards: %v", err)
	}
	for _, e := range events {
		if e.Kind != "note" {
			continue
		}
		if !strings.HasPrefix(e.Text, fmt.Sprint(r.Notes, " x")) {
			s.complain("the note in place %d is %.10q", r.Notes, e.Text)
		}
		r.Notes++
	}
	lots, err := l.Lots(ctx)
	if err != nil {
		s.complain("reading afterwards: %v", err)
	}
	if r.Lots = len(lots); r.Lots > 0 {
		c, err := l.Counts(ctx, 1)
		if err != nil {
			s.complain("reading afterwards: %v", err)
		}
		r.Begun, r.Made = c.CyclesBegun, c.Made
	}
	if err := l.view(ctx, "alerts", func(q querier) error {
		return q.QueryRowContext(ctx, "SELECT count(*) FROM alert").Scan(&r.Alerts)
	}); err != nil {
		s.complain("reading afterwards: %v", err)
	}
	return r
}

// lost complains unless the ledger holds all that was acknowledged, and of what was attempted beyond it one commit at most.
func (s *scene) lost(l *Ledger) {
	got := s.look(l)
	if got != afterCourse(s.acked) && (s.tried <= s.acked || got != afterCourse(s.acked+1)) {
		s.complain("%d commits were acknowledged and %d tried; the ledger holds %+v", s.acked, s.tried, got)
	}
}

// commits goes on with the course. A ledger that failed must refuse what follows, until it is opened again; one without
// room must take the same commit as soon as there is some.
func (s *scene) commits() (first error) {
	for s.acked < courseLength {
		s.tried = s.acked + 1
		err := s.l.Commit(context.Background(), course(s.acked)...)
		switch {
		case err == nil && first != nil && errors.Is(first, ErrDisk):
			s.complain("a commit was taken after the disk had failed: %v", first)
			return first
		case err == nil:
			s.acked++
			continue
		case first != nil: // the second refusal of the same commit
			if errors.Is(first, ErrDisk) && !strings.Contains(err.Error(), "restart") {
				s.complain("after a failure the ledger does not ask for a restart: %v", err)
			}
			if errors.Is(first, ErrFull) && !s.fault.Lasting {
				s.complain("with room again: %v", err)
			}
			return first
		}
		first = err
	}
	if errors.Is(first, ErrFull) && !s.fault.Lasting {
		return first
	}
	return first
}

// begin opens the ledger and commits the first n of the course.
func (s *scene) begin(n int) {
	l, err := Open(s.path, Options{})
	if err != nil {
		s.complain("%v", err)
		return
	}
	s.l = l
	for range n {
		if err := l.Commit(context.Background(), course(s.acked)...); err != nil {
			s.complain("%v", err)
		}
		s.acked, s.tried = s.acked+1, s.acked+1
	}
}

// image is the files of a ledger in the middle of the course, with or without its log, as a stop by force leaves them.
func image(t *testing.T, n int, orderly bool) map[string][]byte {
	t.Helper()
	s := &scene{dir: t.TempDir(), complain: t.Fatalf}
	s.path = filepath.Join(s.dir, "ledger.db")
	s.begin(n)
	files := map[string][]byte{}
	if orderly {
		if err := s.l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	for _, end := range []string{"", "-wal"} {
		data, err := os.ReadFile(s.path + end)
		if err != nil && !(orderly && errors.Is(err, os.ErrNotExist)) {
			t.Fatal(err)
		}
		if err == nil {
			files["ledger.db"+end] = data
		}
	}
	if err := s.l.Close(); err != nil {
		t.Fatal(err)
	}
	return files
}

func (s *scene) put(files map[string][]byte) {
	for name, data := range files {
		if err := os.WriteFile(filepath.Join(s.dir, name), data, 0o640); err != nil {
			s.complain("%v", err)
		}
	}
}

// duties lists what a ledger does on a disk.
func duties(t *testing.T) []duty {
	t.Helper()
	torn := image(t, 7, false)
	if len(torn["ledger.db-wal"]) == 0 {
		t.Fatal("the image has no log")
	}
	list := []duty{
		{name: "make",
			ready: func(s *scene) { s.path = filepath.Join(s.dir, "new", "shop", "ledger.db") },
			do:    openAndClose,
			after: func(s *scene, _ error) { s.reopened(s.path, s.lost) }},
		{name: "open",
			ready: func(s *scene) { s.put(torn); s.acked, s.tried = 7, 7 },
			do:    openAndClose,
			after: func(s *scene, _ error) { s.reopened(s.path, s.lost) }},
		{name: "commit",
			ready: func(s *scene) { s.begin(0) },
			do:    (*scene).commits,
			after: func(s *scene, _ error) { s.reopened(s.path, s.lost) }},
		{name: "checkpoint",
			ready: func(s *scene) {
				s.begin(2)
				if _, err := s.l.conn.ExecContext(context.Background(), "PRAGMA wal_autocheckpoint = 10"); err != nil {
					s.complain("%v", err)
				}
			},
			do:    (*scene).commits,
			after: func(s *scene, _ error) { s.reopened(s.path, s.lost) }},
		{name: "close",
			ready: func(s *scene) { s.begin(8) },
			do:    func(s *scene) error { return s.l.Close() },
			after: func(s *scene, _ error) { s.reopened(s.path, s.lost) }},
	}
	list = append(list, copyDuties(t)...)
	list = append(list, readDuties(torn)...)
	return append(list, upgradeDuties(t)...)
}

func openAndClose(s *scene) error {
	l, err := Open(s.path, Options{})
	if err != nil {
		return err
	}
	return l.Close()
}

// copyDuties are those that make a copy or put one in place.
func copyDuties(t *testing.T) []duty {
	t.Helper()
	later, older := image(t, 9, false), image(t, 5, true)["ledger.db"]
	return []duty{
		{name: "backup",
			ready: func(s *scene) { s.begin(6) },
			do:    func(s *scene) error { return s.l.Backup(context.Background(), filepath.Join(s.dir, "copy.db")) },
			after: func(s *scene, err error) {
				if _, serr := os.Stat(filepath.Join(s.dir, "copy.db")); serr == nil {
					s.reopened(filepath.Join(s.dir, "copy.db"), s.lost) // one that is there is a good one
				} else if err == nil {
					s.complain("the backup was acknowledged, and: %v", serr)
				}
				left, gerr := filepath.Glob(filepath.Join(s.dir, ".copy.db*"))
				if gerr != nil || len(left) > 0 && !strings.Contains(fmt.Sprint(err), left[0]) {
					s.complain("left lying, and not named: %q %v", left, gerr)
				}
				s.reopened(s.path, s.lost)
			}},
		{name: "restore",
			ready: func(s *scene) { s.put(later); s.put(map[string][]byte{"copy.db": older}) },
			do: func(s *scene) error {
				_, err := Restore(context.Background(), filepath.Join(s.dir, "copy.db"), s.path)
				return err
			},
			after: func(s *scene, err error) { s.restored(later, older, err) }},
	}
}

// restored looks at what a restore has left: the later ledger whole, in its place or aside, and the backup as it was. What
// is in the ledger's place is one of the two, and the older one knows that it was restored.
func (s *scene) restored(later map[string][]byte, older []byte, err error) {
	if now, rerr := os.ReadFile(filepath.Join(s.dir, "copy.db")); rerr != nil || !bytes.Equal(now, older) {
		s.complain("the backup was changed: %v", rerr)
	}
	if _, serr := os.Stat(s.path + markEnd); serr == nil {
		if !strings.Contains(fmt.Sprint(err), "do it again") {
			s.complain("a mark stays and the error does not say so: %v", err)
		}
		if _, oerr := Open(s.path, Options{}); oerr == nil || !strings.Contains(oerr.Error(), "do it again") {
			s.complain("a ledger half exchanged opens: %v", oerr)
		}
		if _, rerr := Restore(context.Background(), filepath.Join(s.dir, "copy.db"), s.path); rerr != nil {
			s.complain("done again: %v", rerr)
		}
		err = nil
	}
	aside := s.path + ".aside-1"
	for _, end := range []string{"", "-wal"} {
		name := aside + end
		if _, serr := os.Stat(name); serr != nil && err != nil {
			name = s.path + end // still in place
		} else if serr != nil {
			name = s.path + ".aside-2" + end // a restore that was done again
		}
		if now, rerr := os.ReadFile(name); rerr != nil || !bytes.Equal(now, later["ledger.db"+end]) {
			s.complain("what was there before is not kept as %s: %v", filepath.Base(name), rerr)
		}
	}
	s.reopened(s.path, func(l *Ledger) {
		got := s.look(l)
		b, berr := l.Belt(context.Background())
		switch {
		case berr != nil:
			s.complain("%v", berr)
		case err == nil && got != afterCourse(5):
			s.complain("the restore was acknowledged; the ledger holds %+v", got)
		case got == afterCourse(5) && b.Known:
			s.complain("a restored ledger believes to know where the belt stands")
		case got != afterCourse(5) && got != afterCourse(9):
			s.complain("neither what was there nor the backup: %+v", got)
		}
	})
}

// readDuties are those that change nothing.
func readDuties(files map[string][]byte) []duty {
	reading := func(s *scene, do func(l *Ledger) error) error {
		l, err := Open(s.path, Options{ReadOnly: true})
		if err != nil {
			return err
		}
		return errors.Join(do(l), l.Close())
	}
	ready := func(s *scene) { s.put(files); s.acked, s.tried = 7, 7 }
	after := func(s *scene, _ error) { s.reopened(s.path, s.lost) }
	return []duty{
		{name: "check", ready: ready, after: after, do: func(s *scene) error {
			return reading(s, func(l *Ledger) error {
				problems, err := l.Check(context.Background())
				if len(problems) > 0 {
					s.complain("a sound ledger on a failing disk is called damaged: %q", problems)
				}
				return err
			})
		}},
		{name: "export", ready: ready, after: after, do: func(s *scene) error {
			return reading(s, func(l *Ledger) error {
				var out bytes.Buffer
				err := l.Export(context.Background(), &out)
				if n := strings.Count(out.String(), `"kind":"note"`); err == nil && n != 7 {
					s.complain("the export was acknowledged with %d of 7 notes", n)
				}
				return err
			})
		}},
	}
}

// upgradeDuties bring the kept ledgers of earlier schemas up to date.
func upgradeDuties(t *testing.T) (list []duty) {
	t.Helper()
	for schema := 1; schema < len(steps); schema++ {
		data, err := os.ReadFile(oldLedger)
		if schema > 1 {
			data, err = unpacked(keptLedger(schema))
		}
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, duty{name: fmt.Sprintf("upgrade %d", schema),
			ready: func(s *scene) { s.put(map[string][]byte{"ledger.db": data}) },
			do:    openAndClose,
			after: func(s *scene, _ error) {
				s.reopened(s.path, func(l *Ledger) {
					c, err := l.Counts(context.Background(), 1)
					want := Counts{Ordered: 40, Good: 1, Made: 1, Interrupted: 1, CyclesBegun: 2}
					if got := (Counts{Ordered: c.Ordered, Good: c.Good, Made: c.Made, Interrupted: c.Interrupted, CyclesBegun: c.CyclesBegun}); err != nil || !reflect.DeepEqual(got, want) {
						s.complain("counts %+v %v", c, err)
					}
				})
			}})
	}
	return list
}

func unpacked(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		return nil, err
	}
	return io.ReadAll(z)
}
