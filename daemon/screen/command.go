package screen

import (
	"net/http"
	"slices"
	"strings"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// doneTexts are what the screen says after a form was carried out, by the word in the
// address: no text of an address is ever shown.
var doneTexts = map[string]string{
	"visit": "The visit is recorded.", "went-on": "The visit is recorded, and the machine goes on. Keep your hands clear: it is about to heat and move.",
	"hold": "The machine holds after this part.", "abort": "Aborting, heaters off first. Look at the machine.",
	"reset": "The machine is getting ready.", "start": "The lot begins. Keep your hands clear: the machine is about to heat and move.", "unhold": "The machine goes on. Keep your hands clear: it is about to heat and move.",
	"suspend": "The machine waits after this part.", "unsuspend": "The machine goes on. Keep your hands clear: it is about to heat and move.", "stop": "The machine is stopping.", "clear": "The fault is being cleared.",
	"lot": "The lot is open.", "lot-start": "The lot is open and begins. Keep your hands clear: the machine is about to heat and move.", "ended": "The lot has ended.",
}

// explains say what each command does, and cautions what must be looked at before.
var explains = map[string]string{
	"reset":     "Connects to the board and switches the heaters off. Then the machine is ready to start.",
	"start":     "Heats, homes and makes the parts of the open lot.",
	"hold":      "Finishes and discharges the part in progress. Then the head parks and the nozzle cools to standby; after a set time all heaters go off.",
	"unhold":    "Heats up again and goes on with the next part.",
	"suspend":   "Finishes and discharges the part in progress, then waits.",
	"unsuspend": "Heats up again and goes on with the next part.",
	"stop":      "Ends the run: heaters off, head lifted. The lot stays open and can go on later.",
	"abort":     "Switches the heaters off the fastest way that the board offers and stops all moves. The part in progress is lost.",
	"clear":     "Checks that the board answers and the machine is cold. Then you can reset it.",
}

var moves = []string{"start", "unhold", "unsuspend", "stop", "reset"}

// commandView is the page that asks back before a command.
type commandView struct {
	Name, Label, Explain, Key string
	Moves                     bool // it heats or moves
	Stop                      bool
	AfterPart, ClearBelt      field
	Continues                 bool // it can go on with the lot by itself
	GoOn                      field
	Latched                   string // the heat fault that words on what was mended release; "": none
	Mended                    field
	Override                  field
	Advised                   bool // the machine advises against it: a reason is required
	By                        field
	Before, What, Remedy      string
	Possible                  bool
	Visit                     bool // a visit may be what is missing
}

// commandState is what was typed, and what came of it.
type commandState struct {
	name, by, override   string
	mended               string
	afterPart, clearBelt bool
	goOn                 bool
	before, what, remedy string
}

func (sc *screen) commandForm(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	if labels[name] == "" {
		sc.nothing(w, r)
		return
	}
	sc.showCommand(w, r, http.StatusOK, commandState{name: name, afterPart: true})
}

func (sc *screen) showCommand(w http.ResponseWriter, r *http.Request, status int, c commandState) {
	s := sc.Run.Snapshot()
	p := sc.page(r, labels[c.name])
	v := commandView{Name: c.name, Label: labels[c.name], Explain: explains[c.name], Key: p.Key, Moves: slices.Contains(moves, c.name),
		Stop: c.name == "stop", Possible: slices.Contains(s.Accepts, c.name), Before: c.before, What: c.what, Remedy: c.remedy}
	v.AfterPart = field{Name: "after_part", Label: "Finish the part in progress first", Checked: c.afterPart}
	v.ClearBelt = field{Name: "clear_belt", Label: "Run the parts over the drop edge", Hint: "The belt moves: make sure that nobody reaches in.", Checked: c.clearBelt}
	v.Continues = (c.name == "clear" || c.name == "reset") && s.Lot != nil && s.Lot.Status == ledger.LotOpen && s.Lot.Wanted > 0 && s.HeatFault == ""
	v.GoOn = field{Name: "go_on", Label: "Then go on with the lot", Hint: "The machine heats and moves by itself: make sure that nobody reaches in.", Checked: c.goOn}
	v.Latched = s.HeatFault
	v.Mended = field{Name: "mended", Label: "What you repaired", Value: c.mended, Wide: true, Hint: "It is kept in the record."}
	v.By = field{Name: "by", Label: "Your name", Auto: "name", Value: c.by}
	v.Override = field{Name: "override", Label: "Reason to go on anyway", Value: c.override, Wide: true, Hint: "It is kept with the lot."}
	v.Advised = c.what != "" && v.Possible && (c.name == "unhold" || c.name == "unsuspend" || c.name == "start")
	v.Visit = v.Advised || !v.Possible
	p.Body = v
	sc.write(w, status, "command", p)
}

// command has the run carry out one of the commands.
func (sc *screen) command(w http.ResponseWriter, r *http.Request) {
	f := sc.formOf(w, r)
	if f == nil {
		return
	}
	c := commandState{name: f.text("command"), by: f.text("by"), override: f.text("override"), afterPart: f.ticked("after_part"), clearBelt: f.ticked("clear_belt"),
		goOn: f.ticked("go_on"), mended: f.text("mended")}
	var command supervisor.Command
	if labels[c.name] == "" || command.UnmarshalText([]byte(c.name)) != nil {
		sc.sorry(w, r, http.StatusUnprocessableEntity, "There is no such command", "Go back to Now.")
		return
	}
	q := supervisor.Request{Command: command, By: sc.Who(r, c.by), Override: c.override}
	if command == supervisor.Stop {
		q.AfterPart, q.ClearBelt = c.afterPart, c.clearBelt
	}
	if command == supervisor.Clear {
		q.Repair = c.mended
	}
	q.Continue = c.goOn && (command == supervisor.Clear || command == supervisor.Reset)
	if _, err := sc.Run.Do(r.Context(), q); err != nil {
		status, what, remedy := sc.reason(r, err)
		c.what, c.remedy = what, strings.TrimSpace(remedy)
		sc.showCommand(w, r, status, c)
		return
	}
	http.Redirect(w, r, "/?done="+c.name, http.StatusSeeOther)
}
