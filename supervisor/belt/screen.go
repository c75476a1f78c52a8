package belt

// screened is the result of screening the readings one by one.
type screened struct {
	drive   Drive
	from    int       // first reading in use: the first, or the first after a change
	kept    []Reading // in use for the estimates
	flagged []Flag
	with    filter // over all readings in use, the newest in any case
	without filter // over those kept
}

// How improbable a reading must be. A slipped digit or lost sign is far beyond these; true readings
// are not, not even one of the 36 of NIST's Norris.
const (
	odd        = 2e-5  // alone: it is flagged
	suspicious = 0.01  // the first of two on the same side
	confirming = 0.005 // the second: the belt has changed
)

// screen compares each of the newest readings, in order, with the prediction from those before it.
// One that does not fit is a recording error if the next one fits again, and a change of the belt
// if the next one lies on the same side.
func screen(readings []Reading, o Outlook) screened {
	first := max(0, len(readings)-maxReadings)
	s := screened{drive: choose(readings[first:], o), flagged: []Flag{}}
	s.kept = readings[:first:first]
	f := s.filter(readings, first, o.Scatter)
	for i := first; i < len(readings); i++ {
		r := readings[i]
		p, above, expected := doubt(&f, s.drive, r)
		if p < suspicious && i+1 < len(readings) {
			if q, also, _ := doubt(&f, s.drive, readings[i+1]); q < confirming && also == above {
				s.from, s.kept, s.flagged = i, nil, s.flagged[:0]
				f = s.filter(readings, i, f.scatterSeen().Lasting())
				p = 1
			}
		}
		if p >= odd {
			f.observe(r.TravelMM, s.drive.of(r), r.OffsetMM)
			s.kept = append(s.kept, r)
			continue
		}
		newest := i == len(readings)-1
		s.flagged = append(s.flagged, Flag{Index: i, TravelMM: r.TravelMM, OffsetMM: r.OffsetMM, ExpectedMM: expected, Doubt: p, Newest: newest})
		if newest {
			s.without, s.with = f, f
			s.with.observe(r.TravelMM, s.drive.of(r), r.OffsetMM)
			return s
		}
	}
	s.with, s.without = f, f
	return s
}

// filter returns a filter over the readings from the given one on.
func (s *screened) filter(readings []Reading, from int, scatter Scatter) filter {
	rest := readings[from:]
	step := 1.0
	if n := len(rest); n > 1 {
		step = max(step, (rest[n-1].TravelMM-rest[0].TravelMM)/float64(n-1))
	}
	f := newFilter(s.drive.rates(), step, scatter)
	f.last = rest[0].TravelMM
	return f
}

// doubt is the probability of a reading at least as far out, given those before it; 1 while there
// are too few.
func doubt(f *filter, d Drive, r Reading) (p float64, above bool, expectedMM float64) {
	if !f.ready() || f.n() < 3 {
		return 1, false, 0
	}
	m := f.predict(r.TravelMM, d.of(r), true)
	p, above = m.doubt(r.OffsetMM)
	for _, b := range m {
		expectedMM += b.weight * b.centre
	}
	return p, above, expectedMM
}

// decisive is the logarithm of how much likelier another drive must make the readings before travel
// is given up: twenty times.
const decisive = 3.0

// choose decides which drive the drift follows. Travel is the default; if travel and advance were
// proportional, the readings cannot tell, and need not.
func choose(readings []Reading, o Outlook) Drive {
	if len(readings) < 6 || ratio(readings) == 0 && readings[0].AdvanceMM == 0 {
		return ByTravel
	}
	best, score := ByTravel, 0.0
	for k, d := range []Drive{ByTravel, ByAdvance, ByBoth} {
		s := screened{drive: d}
		f := s.filter(readings, 0, o.Scatter)
		for _, r := range readings {
			f.observe(r.TravelMM, d.of(r), r.OffsetMM)
		}
		if !f.ready() || d == ByBoth && f.together() {
			continue
		}
		e := f.evidence()
		switch {
		case k == 0:
			score = e + decisive
		case e > score:
			best, score = d, e+decisive
		}
	}
	return best
}

// together reports whether both drives were so nearly proportional that their rates cannot be
// separated.
func (f *filter) together() bool {
	c := &f.columns[0]
	return c.sxx[0]*c.sxx[2]-c.sxx[1]*c.sxx[1] <= 1e-4*c.sxx[0]*c.sxx[2]
}
