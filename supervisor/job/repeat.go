package job

// maxNesting is how deep repeat markers may be nested, the outermost counted
// (common practice of boards, no source).
const maxNesting = 10

// repeat is M808. The outermost pair is the body unless comments mark it;
// nested pairs are gone through as often as they say.
func (i *inspector) repeat() error {
	opens := i.l.Has('L')
	count, counted := i.l.Get('L')
	i.withhold(withheldWhy(&i.l))
	switch {
	case i.o.Part != (Lines{}) && (i.cut == byItself || i.closed): // the lot repeats the part
	case opens && i.cut == byItself:
		i.openBody(byRepeat, i.next())
		i.outer = i.n
		i.notes.find(i.n, Info, "repeat-count", "give the number of parts to the lot", "the repeat count %g is replaced by the number of parts of the lot", count)
	case i.closed && i.fresh, i.cut == byItself:
		i.notes.problem(i.n, "repeat-unbalanced", "keep one outermost pair of M808 around the part, or mark the part with ;beltwarden body begin and ;beltwarden body end",
			"M808 outside the part")
	case i.closed:
	case opens:
		i.open(count, counted)
	case len(i.loops) > 0:
		return i.again()
	case i.cut == byRepeat:
		i.closeBody()
	default:
		i.notes.problem(i.n, "repeat-unbalanced", "write M808 L and the count where the repeat begins", "M808 closes a repeat that was not opened")
	}
	return nil
}

// open begins a repeat inside the body.
func (i *inspector) open(count float64, counted bool) {
	outer := 0
	if i.cut == byRepeat {
		outer = 1
	}
	switch {
	case len(i.loops)+outer == maxNesting:
		i.notes.problem(i.n, "repeat-nesting", "unroll the innermost repeats when slicing", "M808 is nested more than %d deep", maxNesting)
		count = 1
	case !counted || count == 0:
		i.notes.problem(i.n, "repeat-endless", "give the count as M808 L and a number", "a repeat inside the part is endless")
		count = 1
	case count > maxRepeatedBytes:
		i.tooLarge(i.n)
		count = 1
	case count < 0 || count != float64(int64(count)):
		i.notes.problem(i.n, "repeat-count", "give a whole number", "a repeat inside the part has the count %g", count)
		count = 1
	}
	i.loops = append(i.loops, loop{at: i.to, line: i.n + 1, opened: i.n, remaining: int64(count) - 1})
}

// again closes the innermost repeat or goes back to its beginning.
func (i *inspector) again() error {
	top := &i.loops[len(i.loops)-1]
	i.repeats += i.to - top.at
	if top.remaining > 0 && i.repeats > i.repeatLimit {
		i.tooLarge(top.opened)
		for k := range i.loops {
			i.loops[k].remaining = 0
		}
	}
	if top.remaining == 0 {
		i.loops = i.loops[:len(i.loops)-1]
		return nil
	}
	top.remaining--
	i.n = top.line - 1
	if err := i.ctx.Err(); err != nil {
		return err
	}
	return i.src.seek(top.at)
}

func (i *inspector) tooLarge(line int64) {
	i.notes.problem(line, "repeat-size", "repeat less inside the part and order more parts", "the repeats inside the part add up to more than %d bytes", i.repeatLimit)
}
