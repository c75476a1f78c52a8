package supervisor

import (
	"slices"
	"strings"

	"beltwarden/serialio"
	"beltwarden/supervisor/job"
)

// others are the heaters beside nozzle and bed that the board has told of, or that a job has
// heated. Nobody watches their readings, but every word that switches off names them too.
type others struct {
	chamber, second bool // the board tells of them
	jobs            []string
}

// heard takes in what a report tells of.
func (o *others) heard(t serialio.Temps) {
	o.chamber = o.chamber || t.HasChamber
	o.second = o.second || t.HasSecond
}

// words switch them off. What a job has heated stays among them when its lot is gone.
func (o *others) words(plans []*job.Plan) []string {
	for _, p := range plans {
		if p == nil {
			continue
		}
		for _, w := range p.OtherOff {
			if !slices.Contains(o.jobs, w) {
				o.jobs = append(o.jobs, w)
			}
		}
	}
	list := slices.Clone(o.jobs)
	add := func(is bool, word string) {
		if is && !slices.Contains(list, word) {
			list = append(list, word)
		}
	}
	add(o.second, "M104 T1 S0")
	add(o.chamber, "M141 S0")
	return list
}

// notShownOff says of them that they were switched off and not shown to be; "" where there are none.
func (o *others) notShownOff() string {
	list := o.words(nil)
	if len(list) == 0 {
		return ""
	}
	return "; switched off and not monitored: " + strings.Join(list, ", ")
}
