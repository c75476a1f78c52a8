package browser

import (
	"os"
	"path/filepath"
	"testing"

	"beltwarden/config"
	"beltwarden/daemon/client"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// A lot from the job file to the report by clicking alone: what the job will do is
// shown before anything moves, a visit lets the machine go on, the parts are counted,
// the report is read. With scripts, and without any.
func TestLotByClickingAlone(t *testing.T) {
	t.Parallel()
	for _, scripts := range []bool{true, false} {
		name := map[bool]string{true: "scripts", false: "no-scripts"}[scripts]
		t.Run(name, func(t *testing.T) {
			w := newWorkshop(t, 0, func(c *config.Settings) { c.Hold.EveryParts = 2 })
			w.reach(supervisor.Idle)
			b := open(t, w.url, phone)
			b.scripts(scripts)
			b.visit("/")
			b.press("Begin a lot")
			b.find("Begin a lot", "heading")
			b.shot("upload")
			b.press("Upload and inspect") // without a file
			b.sees("choose a job file first")
			b.shot("no-file")
			b.upload("Job file", job(t, "stake-clip.gcode"))
			b.press("Upload and inspect")
			b.sees("Filament", "Good parts ordered")
			if len(w.rig.Parts()) != 0 || w.app.Snapshot().Lot != nil {
				t.Fatal("the upload alone has begun something")
			}
			b.shot("inspection")
			if scripts {
				b.lawful()
			}
			b.press("Heat and begin now") // without a count
			b.sees("Enter how many good parts")
			b.shot("no-count")
			b.fill("Good parts ordered", "3")
			b.fill("Name of the lot", "plant-stake clips")
			b.fill("Your name", "Ada")
			b.press("Heat and begin now")
			b.sees("plant-stake clips", "Keep your hands clear")
			b.shot("opened")
			w.reach(supervisor.Held)
			b.press("Now")
			b.sees("Held", "0 of 3 good")
			b.press("Record a visit")
			b.tick("Right")
			b.fill("How far", "0.4")
			b.tick("All 2 parts")
			b.press("Record and unhold")
			b.sees("the machine goes on")
			w.reach(supervisor.Complete)
			if !scripts {
				b.press("Now") // a page without scripts loads itself again, in its own time
			}
			b.sees("Complete", "Record a visit")
			b.shot("complete")
			b.press("Record a visit")
			b.fill("Good parts", "1")
			b.press("Record the visit")
			b.sees("3 of 3 good")
			b.press("Lots")
			b.find("Lots", "heading") // the page before has a link of that name too, which a click may find no more
			b.press("1, plant-stake clips")
			b.find("Lot 1", "heading")
			b.shot("lot")
			b.press("for the workshop")
			b.find("Lot 1: plant-stake clips", "heading")
			b.sees("Ordered", "3", "Scrap")
			b.shot("report")

			c := client.New(w.set.Server.Socket)
			defer c.Close()
			lot, err := c.Lot(t.Context(), 1)
			if err != nil {
				t.Fatal(err)
			}
			if made := len(w.rig.Parts()); lot.Status != ledger.LotClosed || lot.Good != 3 || lot.Made != 3 || made != 3 || len(lot.Checks) != 2 {
				t.Errorf("the ledger has %+v, the machine made %d parts", lot.LotSummary, made)
			}
		})
	}
}

// Names that are meant to break a page are text like any other, wherever they stand.
func TestHostileNames(t *testing.T) {
	withoutRace(t)
	beside(t)
	const hostile = `"><script>document.title='taken'</script><img src=x onerror=alert(1)>'{{.Key}}` + "\u202e"
	dir := t.TempDir()
	data, err := os.ReadFile(job(t, "stake-clip.gcode"))
	if err != nil {
		t.Fatal(err)
	}
	bad := filepath.Join(dir, `<img src=x onerror=alert(2)> & "clip".gcode`)
	if err := os.WriteFile(bad, data, 0o600); err != nil {
		t.Fatal(err)
	}
	w := newWorkshop(t, 0, func(c *config.Settings) { c.Hold.EveryParts = 1; c.Machine.Name = `<b>clips</b> & pegs` })
	w.reach(supervisor.Idle)
	b := open(t, w.url, phone)
	b.visit("/lots/new")
	b.upload("Job file", bad)
	b.press("Upload and inspect")
	b.find("Heat and begin now", "button")
	b.lawful()
	b.shot("job")
	b.fill("Good parts ordered", "2")
	b.fill("Name of the lot", hostile)
	b.fill("Your name", hostile)
	b.press("Heat and begin now")
	b.sees("Keep your hands clear")
	b.shot("lot-opened")
	w.reach(supervisor.Held)
	b.visit("/visit")
	b.unfold("Scrap")
	b.unfold("Your name and a note")
	b.fill("Scrap, reason 3", hostile)
	b.fill("How many for reason 3", "1")
	b.fill("Note", hostile)
	b.fill("Your name", hostile)
	b.press("Record only")
	b.sees("The visit is recorded")
	for _, path := range []string{"/", "/visit", "/lots", "/lots/1", "/lots/1/report", "/events", "/lots/new", "/command/unhold", "/?done=" + "%3Cscript%3Ealert(3)%3C/script%3E"} {
		b.visit(path)
		b.lawful()
		b.shot("page")
		if found := ask[int](b, `document.querySelectorAll('main script,img[onerror],b').length`); found != 0 {
			t.Errorf("%s: a name has become part of the page", path)
		}
		if title := ask[string](b, `document.title`); title == "taken" {
			t.Errorf("%s: a script in a name has run", path)
		}
	}
	if len(b.watch.dialogs) > 0 {
		t.Errorf("a script in a name has opened %q", b.watch.dialogs)
	}
}
