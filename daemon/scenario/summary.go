package scenario

import (
	"context"
	"time"

	"beltwarden/supervisor"
)

// Summary is how a lot went. Counts and the belt are the ledger's, lengths
// commanded millimetres since the demo began; Witness is what the machine itself
// says of the same.
type Summary struct {
	Lot             int64            `json:"lot"`
	State           supervisor.State `json:"state"`
	LotStatus       string           `json:"lot_status"`
	Good            int              `json:"good"`
	Scrap           int              `json:"scrap"`
	Unverified      int              `json:"unverified"`
	Ordered         int              `json:"ordered"`
	CyclesCompleted int              `json:"cycles_completed"`
	CyclesBegun     int              `json:"cycles_begun"`
	BeltTravelMM    float64          `json:"belt_travel_mm"`
	BeltAdvanceMM   float64          `json:"belt_advance_mm"`
	FilamentMM      float64          `json:"filament_mm"`
	Holds           []Hold           `json:"holds"`
	Visits          int              `json:"visits"`
	Resends         uint64           `json:"resends"` // requests of the board that were obeyed
	WallS           float64          `json:"wall_s"`
	MachineS        float64          `json:"machine_s"` // by the machine's clock
	Job             Job              `json:"job"`
	Witness         Witness          `json:"witness"`
}

// Hold is one wait for the operator.
type Hold struct {
	Reason string `json:"reason"`
	Text   string `json:"text"`
	AtPart int    `json:"at_part"`
}

// Job is the job of the lot.
type Job struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
}

// Witness is what the simulated machine did, by its own count.
type Witness struct {
	Parts         int     `json:"parts"` // pieces of plastic that reached the belt
	Dropped       int     `json:"dropped"`
	BeltTravelMM  float64 `json:"belt_travel_mm"`
	BeltAdvanceMM float64 `json:"belt_advance_mm"`
	FilamentMM    float64 `json:"filament_mm"`
	LinesExecuted uint64  `json:"lines_executed"`
	Damage        int     `json:"damage"`
}

// Summary reads ledger and machine.
func (w *World) Summary(ctx context.Context) (*Summary, error) {
	s, err := w.client.Status(ctx)
	if err != nil {
		return nil, err
	}
	lot, err := w.client.Lot(ctx, w.lot)
	if err != nil {
		return nil, err
	}
	f := w.rig.Figures()
	sum := &Summary{
		Lot: lot.ID, State: s.State, LotStatus: lot.Status, Good: lot.Good, Scrap: lot.Scrap, Unverified: lot.Unverified,
		Ordered: lot.Ordered, CyclesCompleted: lot.Made - lot.InterruptedScrap, CyclesBegun: lot.CyclesBegun,
		BeltTravelMM: s.Belt.TravelMM - w.before.TravelMM, BeltAdvanceMM: s.Belt.AdvanceMM - w.before.AdvanceMM,
		Holds: []Hold{}, Visits: len(lot.Checks), Resends: s.Line.Stats.Resends,
		WallS: time.Since(w.began).Seconds(), MachineS: f.MachineTime.Seconds(),
		Job: Job{Name: lot.Jobs[0].Name, SHA256: lot.Jobs[0].SHA256},
		Witness: Witness{Parts: len(w.rig.Parts()), Dropped: f.PartsDropped, BeltTravelMM: f.BeltTravelMM,
			BeltAdvanceMM: f.BeltAdvanceMM, FilamentMM: f.FilamentMM, LinesExecuted: f.LinesExecuted, Damage: len(f.Damage)},
	}
	for _, c := range lot.Cycles {
		sum.FilamentMM += c.FilamentMM
	}
	for _, h := range lot.Holds {
		sum.Holds = append(sum.Holds, Hold{h.Reason, h.Text, h.AtPart})
	}
	return sum, nil
}

// Fulfilled reports whether the ordered good parts are there.
func (s *Summary) Fulfilled() bool { return s.Good >= s.Ordered }
