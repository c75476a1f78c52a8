package board

import (
	"net/http"
	"slices"
	"strings"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// doneTexts are what the board says after a form was carried out, by the word in the
// address: no text of an address is ever shown.
var doneTexts = map[string]string{
	"visit": "The visit is recorded.", "went-on": "The visit is recorded, and the machine goes on. Hands away: it heats and moves.",
	"hold": "The machine holds after this part.", "abort": "Abort is asked for: heaters off first. Look at the machine.",
	"reset": "The machine gets ready.", "start": "The lot begins. Hands away: the machine heats and moves.", "unhold": "The machine goes on. Hands away: it heats and moves.",
	"suspend": "The machine waits after this part.", "unsuspend": "The machine goes on. Hands away: it heats and moves.", "stop": "The machine stops.", "clear": "The fault is being cleared.",
	"lot": "The lot is open.", "lot-start": "The lot is open and begins. Hands away: the machine heats and moves.", "ended": "The lot is ended.",
}

// explains say what each command does, and cautions what must be looked at before.
var explains = map[string]string{
	"reset":     "The board is asked how it stands and the heaters are switched off. Then the machine is ready for a start.",
	"start":     "The machine heats, homes and makes the parts of the open lot.",
	"hold":      "The part in progress is finished and discharged. Then the head is parked and the nozzle goes to standby; after a set time all heaters go off.",
	"unhold":    "The machine heats again and goes on with the next part.",
	"suspend":   "The part in progress is finished and discharged. Then the machine waits.",
	"unsuspend": "The machine heats again and goes on with the next part.",
	"stop":      "The run ends: heaters off, head lifted. The lot stays open and can go on later.",
	"abort":     "Heaters off by the quickest way that the board offers, and no more moves. The part in progress is lost.",
	"clear":     "The machine is asked whether it answers and is cold. Then it can be reset.",
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
	Advised                   bool // the machine advises against it: a reason is asked for
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

func (b *board) commandForm(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	if labels[name] == "" {
		b.nothing(w, r)
		return
	}
	b.showCommand(w, r, http.StatusOK, commandState{name: name, afterPart: true})
}

func (b *board) showCommand(w http.ResponseWriter, r *http.Request, status int, c commandState) {
	s := b.Run.Snapshot()
	p := b.page(r, labels[c.name])
	v := commandView{Name: c.name, Label: labels[c.name], Explain: explains[c.name], Key: p.Key, Moves: slices.Contains(moves, c.name),
		Stop: c.name == "stop", Possible: slices.Contains(s.Accepts, c.name), Before: c.before, What: c.what, Remedy: c.remedy}
	v.AfterPart = field{Name: "after_part", Label: "Finish the part in progress first", Checked: c.afterPart}
	v.ClearBelt = field{Name: "clear_belt", Label: "Run the parts over the drop edge", Hint: "The belt moves: see that nobody reaches in.", Checked: c.clearBelt}
	v.Continues = (c.name == "clear" || c.name == "reset") && s.Lot != nil && s.Lot.Status == ledger.LotOpen && s.Lot.Wanted > 0 && s.HeatFault == ""
	v.GoOn = field{Name: "go_on", Label: "Then go on with the lot", Hint: "The machine heats and moves by itself: nobody reaching in.", Checked: c.goOn}
	v.Latched = s.HeatFault
	v.Mended = field{Name: "mended", Label: "What was mended", Value: c.mended, Wide: true, Hint: "Your words are kept."}
	v.By = field{Name: "by", Label: "Your name", Auto: "name", Value: c.by}
	v.Override = field{Name: "override", Label: "Go on all the same, because", Value: c.override, Wide: true, Hint: "Your reason is kept with the lot."}
	v.Advised = c.what != "" && v.Possible && (c.name == "unhold" || c.name == "unsuspend" || c.name == "start")
	v.Visit = v.Advised || !v.Possible
	p.Body = v
	b.write(w, status, "command", p)
}

// command has the run carry out one of the commands.
func (b *board) command(w http.ResponseWriter, r *http.Request) {
	f := b.formOf(w, r)
	if f == nil {
		return
	}
	c := commandState{name: f.text("command"), by: f.text("by"), override: f.text("override"), afterPart: f.ticked("after_part"), clearBelt: f.ticked("clear_belt"),
		goOn: f.ticked("go_on"), mended: f.text("mended")}
	var command supervisor.Command
	if labels[c.name] == "" || command.UnmarshalText([]byte(c.name)) != nil {
		b.sorry(w, r, http.StatusUnprocessableEntity, "There is no such command", "Go back to how it stands.")
		return
	}
	q := supervisor.Request{Command: command, By: b.Who(r, c.by), Override: c.override}
	if command == supervisor.Stop {
		q.AfterPart, q.ClearBelt = c.afterPart, c.clearBelt
	}
	if command == supervisor.Clear {
		q.Mended = c.mended
	}
	q.GoOn = c.goOn && (command == supervisor.Clear || command == supervisor.Reset)
	if _, err := b.Run.Do(r.Context(), q); err != nil {
		status, what, remedy := b.reason(r, err)
		c.what, c.remedy = what, plain(strings.TrimSpace(remedy))
		b.showCommand(w, r, status, c)
		return
	}
	http.Redirect(w, r, "/?done="+c.name, http.StatusSeeOther)
}
