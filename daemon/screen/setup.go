package screen

import (
	"crypto/rand"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"

	"beltwarden/daemon/chart"
	"beltwarden/daemon/picture"
	"beltwarden/supervisor"
)

// setupView is the page on which a person finds the belt's direction, drop edge and scale by moving it.
type setupView struct {
	Key, SeenKey, AbortKey string // of the forms
	What, Remedy           string // why the last form was not carried out
	Text                   string // outcome of the newest move or answer
	Picture                string
	State                  string
	Cannot                 string // why nothing can be moved in this state; "" if it can be asked for
	Moved                  bool   // a move has ended as commanded: it can be said what was seen
	LastMM                 string
	Forward                string   // as it is to be written
	Sign                   int      // of a move to the drop edge, 0 while it is not known
	ToDrop                 string   // as it is to be written
	Unknown                []string // keys of the configuration
	Mark                   string   // how far the mark has moved; "" for none
	Steps                  []setupStep
	Clear, From            field
	Measured, By           field
}

// setupStep is a move that can be asked for.
type setupStep struct{ MM, Label string }

func (sc *screen) setupForm(w http.ResponseWriter, r *http.Request) {
	sc.showSetup(w, r, http.StatusOK, nil, "", "")
}

// showSetup writes the page.
func (sc *screen) showSetup(w http.ResponseWriter, r *http.Request, status int, f *form, what, remedy string) {
	s := sc.Run.Snapshot()
	p := sc.page(r, "Set up")
	v := setupView{Key: p.Key, SeenKey: rand.Text(), AbortKey: rand.Text(), What: what, Remedy: remedy, State: s.State.String()}
	sight := chart.SetupSight{ToDropMM: s.Belt.ToDropMM}
	known := s.Setup
	if known == nil {
		known = &supervisor.SetupView{}
	}
	v.Text, v.Unknown = known.Text, known.Unknown
	if v.Sign = known.Forward; v.Sign != 0 {
		v.Forward = fmt.Sprintf("%+d", v.Sign)
	} else if !slices.Contains(known.Unknown, "machine.forward") {
		v.Sign = 1
		if sc.Job.Forward < 0 {
			v.Sign = -1
		}
	}
	if known.ToDropMM > 0 {
		v.ToDrop, sight.ToDropMM = strconv.FormatFloat(known.ToDropMM, 'f', -1, 64), known.ToDropMM
	}
	if known.FromMarkMM != nil {
		sight.MarkMM = math.Abs(*known.FromMarkMM)
		v.Mark = strconv.FormatFloat(sight.MarkMM, 'f', -1, 64)
	}
	if v.Moved = known.LastMM != 0; v.Moved {
		v.LastMM = fmt.Sprintf("%+g", known.LastMM)
	}
	sight.Forward = v.Sign
	v.Picture = chart.Setup(picture.WidthPX, sight).Fragment()
	switch s.State {
	case supervisor.Idle, supervisor.Stopped, supervisor.Complete:
	default:
		v.Cannot = "The belt is not moved by hand while the machine is " + s.State.String() + "."
	}
	for _, mm := range []int{5, 20, 50, 100} {
		v.Steps = append(v.Steps, setupStep{fmt.Sprint(mm * max(-1, min(1, v.Sign))), fmt.Sprintf("%d mm", mm)})
	}
	v.Clear = f.fill(field{Name: "clear", Label: "Hands, tools and parts are off the belt, and the head is lifted"})
	v.Clear.Checked = false // it is asked for each time
	v.From = f.fill(field{Name: "from_mark", Label: "A mark lies under the nozzle now", Hint: "The distance to the drop edge counts from here."})
	v.Measured = f.fill(field{Name: "measured", Label: "How far the mark has moved", Unit: "mm", Mode: "decimal"})
	v.By = f.fill(field{Name: "by", Label: "Your name", Auto: "name"})
	p.Body = v
	sc.write(w, status, "setup", p)
}

// setupAct moves the belt, or takes what was seen.
func (sc *screen) setupAct(w http.ResponseWriter, r *http.Request) {
	f := sc.formOf(w, r)
	if f == nil {
		return
	}
	q := supervisor.Request{By: sc.Who(r, f.text("by"))}
	if mm := f.text("mm"); mm != "" {
		v, err := strconv.ParseFloat(mm, 64)
		if err != nil {
			sc.sorry(w, r, http.StatusUnprocessableEntity, "There is no such move", "Go back to Set up.")
			return
		}
		q.SetupMove = &supervisor.SetupMove{MM: v, FromMark: f.ticked("from_mark"), Clear: f.ticked("clear")}
	} else {
		q.SetupFound = &supervisor.SetupFound{Direction: f.text("direction"), Drop: f.text("drop")}
		if f.text("length") != "" {
			mm := f.decimal("measured", "The length")
			if mm == nil || *mm == 0 {
				sc.showSetup(w, r, http.StatusUnprocessableEntity, f, "No length was entered", "Enter how far the mark has moved.")
				return
			}
			q.SetupFound.MeasuredMM = *mm
		}
	}
	if _, err := sc.Run.Do(r.Context(), q); err != nil {
		status, what, remedy := sc.reason(r, err)
		sc.showSetup(w, r, status, f, what, remedy)
		return
	}
	http.Redirect(w, r, "/setup", http.StatusSeeOther)
}
