package ledger

// twin keeps in plain maps what a ledger of one lot with two jobs should hold. It shares no code with the ledger.
type twin struct {
	status  string
	cycles  []twinCycle
	checks  []Check
	holds   map[int64]bool // open or not
	entries int64
}

type twinCycle struct {
	job   int
	state string
	good  bool
}

// checked sums good and scrap of the checks nobody corrected, of one job or, with job -1, of all.
func (m *twin) checked(job int) (good, scrap int) {
	replaced := map[int64]bool{}
	for _, c := range m.checks {
		replaced[c.Corrects] = true
	}
	for _, c := range m.checks {
		if !replaced[c.ID] && (job < 0 || (c.JobIndex != nil && *c.JobIndex == job)) {
			good += c.Good
			scrap += c.Scrap["bent"]
		}
	}
	return good, scrap
}

func (m *twin) confirmed(job int) (n int) {
	for _, c := range m.cycles {
		if (job < 0 || c.job == job) && (c.state == CycleStateMade || c.state == CycleStateDischarged) {
			n++
		}
	}
	return n
}

// accepts reports whether the record is legal now, and if so takes it in.
func (m *twin) accepts(r Record) bool {
	move := func(seq int64, to string, from string) bool {
		if seq < 1 || seq > int64(len(m.cycles)) || m.cycles[seq-1].state != from {
			return false
		}
		m.cycles[seq-1].state = to
		return true
	}
	switch r := r.(type) {
	case CycleBegun:
		for _, c := range m.cycles {
			if c.state == CycleStateBegun {
				return false
			}
		}
		if r.Seq != int64(len(m.cycles))+1 || r.Ordinal != len(m.cycles)+1 || m.status == LotClosed || m.status == LotEnded {
			return false
		}
		m.cycles = append(m.cycles, twinCycle{job: r.JobIndex, state: CycleStateBegun})
	case CycleMade:
		return move(r.Seq, CycleStateMade, CycleStateBegun)
	case CycleDischarged:
		return move(r.Seq, CycleStateDischarged, CycleStateMade)
	case CycleInterrupted:
		return move(r.Seq, CycleStateInterrupted, CycleStateBegun)
	case CycleDecided:
		to := CycleStateDecided
		if !r.Good && r.CheckID == 0 {
			to = CycleStateVoid
		}
		if !move(r.Seq, to, CycleStateInterrupted) {
			return false
		}
		m.cycles[r.Seq-1].good = r.Good
	case LotChanged:
		if m.status == LotClosed || m.status == LotEnded {
			return false
		}
		m.status = r.Status
	case HoldBegun:
		if _, there := m.holds[r.ID]; there {
			return false
		}
		m.holds[r.ID] = true
	case HoldEnded:
		if !m.holds[r.ID] {
			return false
		}
		m.holds[r.ID] = false
	case CheckRecorded:
		return m.acceptsCheck(r.Check)
	}
	return true
}

func (m *twin) acceptsCheck(c Check) bool {
	target := c.Corrects == 0
	for _, old := range m.checks {
		if old.Corrects != 0 && old.Corrects == c.Corrects {
			return false
		}
		target = target || old.ID == c.Corrects
	}
	if !target {
		return false
	}
	m.checks = append(m.checks, c)
	jobs := []int{-1}
	if c.JobIndex != nil {
		jobs = append(jobs, *c.JobIndex)
	}
	for _, job := range jobs {
		if good, scrap := m.checked(job); good+scrap > m.confirmed(job) {
			return false
		}
	}
	return true
}

func (m *twin) clone() *twin {
	c := *m
	c.cycles = append([]twinCycle{}, m.cycles...)
	c.checks = append([]Check{}, m.checks...)
	c.holds = map[int64]bool{}
	for id, open := range m.holds {
		c.holds[id] = open
	}
	return &c
}

func (m *twin) counts(lot Lot) Counts {
	c := Counts{LotID: lot.ID, Confirmed: m.confirmed(-1), ScrapByReason: map[string]int{}}
	c.ByJob = make([]JobCounts, len(lot.Jobs))
	for i, j := range lot.Jobs {
		c.Ordered += j.GoodOrdered
		b := &c.ByJob[i]
		*b = JobCounts{Index: i, Name: j.Name, Ordered: j.GoodOrdered, Confirmed: m.confirmed(i)}
		b.CheckedGood, b.CheckedScrap = m.checked(i)
	}
	for _, y := range m.cycles {
		b := &c.ByJob[y.job]
		if y.state == CycleStateVoid {
			c.Void++
			b.Void++
			continue
		}
		c.CyclesBegun++
		b.CyclesBegun++
		switch {
		case y.state == CycleStateBegun:
			c.Running++
		case y.state == CycleStateInterrupted:
			c.Interrupted++
			b.Interrupted++
		case y.state == CycleStateDecided && y.good:
			c.InterruptedGood++
			b.InterruptedGood++
		case y.state == CycleStateDecided:
			c.InterruptedScrap++
			b.InterruptedScrap++
		}
	}
	for i := range c.ByJob {
		c.ByJob[i].Made = c.ByJob[i].Confirmed + c.ByJob[i].InterruptedGood + c.ByJob[i].InterruptedScrap
	}
	good, scrap := m.checked(-1)
	c.Made, c.Good, c.Scrap = c.Confirmed+c.InterruptedGood+c.InterruptedScrap, good+c.InterruptedGood, scrap+c.InterruptedScrap
	c.Unverified = c.Confirmed - good - scrap
	replaced := map[int64]bool{}
	for _, v := range m.checks {
		replaced[v.Corrects] = true
	}
	for _, v := range m.checks {
		if n, there := v.Scrap["bent"]; there && !replaced[v.ID] {
			c.ScrapByReason["bent"] += n
		}
	}
	if c.InterruptedScrap > 0 {
		c.ScrapByReason[Interrupted] = c.InterruptedScrap
	}
	return c
}
