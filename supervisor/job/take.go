package job

import (
	"errors"

	"beltwarden/supervisor/gcode"
)

// take judges the line, sends it or withholds it, and counts what it does.
func (i *inspector) take() error {
	i.write()
	r := i.o.judge(&i.l, i.wire)
	switch {
	case r.refuse.code == "" || !i.fresh:
	case r.refuse.outright:
		i.notes.problem(i.n, r.refuse.code, r.refuse.remedy, "%s", r.refuse.text)
	default:
		i.notes.find(i.n, Error, r.refuse.code, r.refuse.remedy, "%s", r.refuse.text)
	}
	if r.shutdown && i.section == Body && i.cut == byItself {
		i.enterTail(i.l.Name())
	}
	if r.homes {
		i.homing(r.homesOff)
	}
	if r.withhold == "" && i.section == Body && i.cut != byItself {
		r.withhold = i.heaterInBody()
	}
	i.handled(&r)
	if r.withhold != "" {
		i.withhold(r.withhold)
		for _, text := range r.instead {
			i.add(i.n, i.section, text, "in place of "+i.l.Name()+": "+r.withhold)
			if err := i.l.Parse([]byte(text)); err != nil {
				return err
			}
			if err := i.st.ApplyLine(&i.l, &i.effect); err != nil {
				return err
			}
			i.sent++
			i.m.bytes.added(text)
		}
		return nil
	}
	if i.l.Letter == '#' {
		if i.use.sayHeats == "" {
			i.use.sayHeats = sayWhatHeats(&i.l)
		}
		sent := i.named()
		defer func() { sent() }()
	}
	return i.send()
}

// send applies the line at hand and counts it.
func (i *inspector) send() error {
	nozzle, bed, known := i.st.NozzleTargetC, i.st.BedTargetC, i.st.Known
	e := &i.effect
	if err := i.st.ApplyLine(&i.l, e); err != nil {
		i.refused(err)
		return nil
	}
	switch {
	case !e.Extruding:
	case i.cut == byItself:
		i.extruding()
	case i.closed:
		i.notes.find(i.n, Warning, "extrudes-after-part", "move ;beltwarden body end, or the closing M808, behind the last move of the part",
			"a move after the part extrudes; its E word is left out")
	}
	if e.Extruding && i.use.heats.tool != i.st.Tool+1 {
		i.toolExtrudes()
	}
	i.sent++
	i.belt += e.Travel(i.o.BeltAxis)
	i.m.bytes.add(i.lineSize())
	i.m.add(e, &i.st, &i.o)
	if i.cut == byItself && i.section == Body {
		i.ends(e)
	}
	if i.fresh {
		i.watch(e, known)
	}
	if e.Kind == gcode.KindTemperature && e.HasValue {
		i.temperature(e, nozzle, bed)
	}
	return nil
}

func (i *inspector) refused(err error) {
	if !i.fresh {
		return
	}
	var syntax *gcode.SyntaxError
	if errors.As(err, &syntax) {
		i.badLine("column %d: %s", syntax.Column, syntax.Problem)
		return
	}
	i.notes.problem(i.n, "impossible", "correct the line, or slice the part again", "%v", err)
}

// lineSize is what the line at hand takes up.
func (i *inspector) lineSize() size { return size{i.sourceBytes, i.wireBytes} }

// withhold lists the line as not sent.
func (i *inspector) withhold(why string) {
	if !i.fresh {
		return
	}
	if len(i.p.Withheld) == maxWithheld {
		i.notes.problem(i.n, "too-many-changes", "slice the part for a belt machine", "more than %d lines would have to be withheld", maxWithheld)
	}
	if len(i.p.Withheld) >= maxWithheld {
		return
	}
	i.p.Withheld = append(i.p.Withheld, Change{Line: i.n, Text: string(i.l.AppendClean(nil)), Why: why})
}

func (i *inspector) add(line int64, section SectionKind, text, why string) {
	if i.fresh {
		i.p.Added = append(i.p.Added, Change{Line: line, Section: section, Text: text, Why: why})
	}
}
