package wording

import (
	"fmt"
	"strings"
	"time"

	"beltwarden/supervisor"
)

// figureRows show the production figures of a lot and what its time went to.
func figureRows(p *supervisor.Production, st Style) []string {
	var out []string
	add := func(lines []string) { out = append(out, lines...) }
	f := p.Figures
	if f == nil {
		if p.Why != "" {
			add(st.row("Figures", "none: "+p.Why))
		}
	} else {
		add(st.row("Figures", fmt.Sprintf("availability %s, effectiveness %s, quality ratio %s, OEE %s",
			percent(f.Availability), percent(f.Effectiveness), percent(f.QualityRatio), percent(f.OEE))))
		if m := p.Most; m != nil {
			add(st.row("", fmt.Sprintf("%s not looked at and not counted good; were all good, quality ratio %s, OEE %s",
				Count(p.Unverified, "part"), percent(m.QualityRatio), percent(m.OEE))))
		}
		if !p.PlannedWaits {
			add(st.row("", "the planned time of a part leaves out heating or cooling, which was not known when the lot was opened; so effectiveness is too low"))
		}
		if f.Effectiveness > 1 {
			add(st.row("", "parts take less than was planned: the planned time is too long"))
		}
	}
	var words []string
	for _, c := range []struct {
		name    string
		seconds float64
	}{{"making parts", p.ActualProductionS}, {"held", p.HeldS}, {"suspended", p.SuspendedS}, {"faults and interrupted parts", p.FaultsS},
		{"between parts", p.BetweenS}, {"outside attended hours", p.UnattendedS}, {"stopped or idle", p.IdleS}} {
		if d := seconds(c.seconds); d >= time.Second {
			words = append(words, c.name+" "+Span(d))
		}
	}
	if len(words) > 0 {
		add(st.row("  time", strings.Join(words, ", ")))
	}
	if d := seconds(p.UnseenS); d >= time.Minute {
		add(st.row("", fmt.Sprintf("about %s without a daemon, by the wall clock, are in none of them", Span(d))))
	}
	if n := p.UnseenStarts; n > 0 {
		add(st.row("", fmt.Sprintf("how long no daemon ran before %s is not known: the clock was set", Count(n, "start"))))
	}
	return out
}

// adhesionRows show how long parts stay on the belt.
func adhesionRows(g *supervisor.Adhesion, st Style) []string {
	if g.Made == 0 && g.Surface == "" {
		return nil
	}
	text := fmt.Sprintf("of %s made on this surface", Count(g.Made, "part"))
	if g.Surface != "" {
		text = fmt.Sprintf("of %s made since it was %s on %s", Count(g.Made, "part"), g.Surface, g.Since.Local().Format("2006-01-02 15:04"))
	}
	text += fmt.Sprintf(": %d were seen to have stayed, and %d came off", g.Held, g.Detached)
	if g.Earliest > 0 {
		first := "the first"
		if g.UnknownTimes > 0 {
			first = "one"
		}
		text += fmt.Sprintf(", %s after %s", first, Span(g.Earliest))
	}
	if g.UnknownTimes > 0 {
		text += fmt.Sprintf(" (%d at an unknown time, counted as at once)", g.UnknownTimes)
	}
	out := st.row("Adhesion", text)
	switch {
	case g.HoldsFor > 0:
		return append(out, st.row("", fmt.Sprintf("95 of 100 parts stay for %s, with 95 %% certainty", Span(g.HoldsFor)))...)
	case g.Detached > 0:
		return append(out, st.row("", "not shown to hold 95 of 100 parts for any time: clean or tape it, or look at more parts")...)
	case g.Held > 0:
		return append(out, st.row("", "too few were seen to say for how long 95 of 100 stay: 59 that all stayed are the least")...)
	}
	return out
}

func percent(f float64) string { return fmt.Sprintf("%.1f %%", 100*f) }

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
