package rig

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
)

// field is one setting of a board in the text table: how to write and to read it.
type field struct {
	get func(*Board) string
	set func(*Board, string) error
}

func whole(p func(*Board) *int) field {
	return field{
		func(b *Board) string { return strconv.Itoa(*p(b)) },
		func(b *Board, v string) (err error) { *p(b), err = strconv.Atoi(v); return },
	}
}

func period(p func(*Board) *time.Duration) field {
	return field{
		func(b *Board) string { return p(b).String() },
		func(b *Board, v string) (err error) { *p(b), err = time.ParseDuration(v); return },
	}
}

func yesNo(p func(*Board) *bool) field {
	names := []string{"no", "yes"}
	return field{
		func(b *Board) string {
			if *p(b) {
				return "yes"
			}
			return "no"
		},
		func(b *Board, v string) error {
			i := slices.Index(names, v)
			if i < 0 {
				return errors.New("must be yes or no")
			}
			*p(b) = i == 1
			return nil
		},
	}
}

func oneOf[T ~int](names []string, p func(*Board) *T) field {
	return field{
		func(b *Board) string { return names[*p(b)] },
		func(b *Board, v string) error {
			i := slices.Index(names, v)
			if i < 0 {
				return fmt.Errorf("must be one of %s", strings.Join(names, ", "))
			}
			*p(b) = T(i)
			return nil
		},
	}
}

// span is the travel of one axis, written "min..max", or "none".
func span(axis int) field {
	return field{
		func(b *Board) string {
			l := b.LimitMM[axis]
			if l[0] == l[1] {
				return "none"
			}
			return fmt.Sprintf("%g..%g", l[0], l[1])
		},
		func(b *Board, v string) error {
			b.LimitMM[axis] = [2]float64{}
			if v == "none" {
				return nil
			}
			low, high, _ := strings.Cut(v, "..")
			for i, s := range []string{low, high} {
				mm, err := strconv.ParseFloat(s, 64)
				if err != nil {
					return errors.New("must be none or two lengths in mm, such as -20..220")
				}
				b.LimitMM[axis][i] = mm
			}
			return nil
		},
	}
}

// boardFields are the settings of the text table by name.
var boardFields = map[string]field{
	"receive-buffer":   whole(func(b *Board) *int { return &b.ReceiveBuffer }),
	"queue":            whole(func(b *Board) *int { return &b.Queue }),
	"planner":          whole(func(b *Board) *int { return &b.Planner }),
	"line-limit":       whole(func(b *Board) *int { return &b.LineLimit }),
	"baud-rate":        whole(func(b *Board) *int { return &b.BaudRate }),
	"boot-time":        period(func(b *Board) *time.Duration { return &b.BootTime }),
	"latency":          period(func(b *Board) *time.Duration { return &b.Latency }),
	"resend":           oneOf([]string{"colon-space", "colon", "rs", "rs-n"}, func(b *Board) *ResendStyle { return &b.Resend }),
	"ok-after-resend":  yesNo(func(b *Board) *bool { return &b.OkAfterResend }),
	"discard-on-error": yesNo(func(b *Board) *bool { return &b.DiscardOnError }),
	"advanced-ok":      yesNo(func(b *Board) *bool { return &b.AdvancedOk }),
	"ok-with-temps":    yesNo(func(b *Board) *bool { return &b.OkWithTemps }),
	"busy":             period(func(b *Board) *time.Duration { return &b.Busy }),
	"wait":             period(func(b *Board) *time.Duration { return &b.Wait }),
	"report-temps":     yesNo(func(b *Board) *bool { return &b.ReportTemps }),
	"report-position":  yesNo(func(b *Board) *bool { return &b.ReportPosition }),
	"heat-reports":     yesNo(func(b *Board) *bool { return &b.HeatReports }),
	"emergency-parser": yesNo(func(b *Board) *bool { return &b.EmergencyParser }),
	"firmware":         yesNo(func(b *Board) *bool { return &b.Firmware }),
	"busy-echo":        yesNo(func(b *Board) *bool { return &b.BusyEcho }),
	"capabilities":     yesNo(func(b *Board) *bool { return &b.Capabilities }),
	"motor-timeout":    period(func(b *Board) *time.Duration { return &b.MotorTimeout }),
	"tells":            oneOf([]string{"list", "word", "nothing"}, func(b *Board) *Telling { return &b.Tells }),
	"limit-x":          span(X),
	"limit-y":          span(Y),
	"limit-z":          span(Z),
	"beyond-limit":     oneOf([]string{"clip", "ignore"}, func(b *Board) *LimitPolicy { return &b.Limits }),
	"reset-on-open":    yesNo(func(b *Board) *bool { return &b.ResetOnOpen }),
	"extruder-alone":   yesNo(func(b *Board) *bool { return &b.ExtruderAlone }),
	"halt-bang":        yesNo(func(b *Board) *bool { return &b.HaltBang }),
	"idle-halt":        yesNo(func(b *Board) *bool { return &b.IdleHalt }),
}

// ReadBoards reads a text table of boards: a line "board NAME" begins one that is
// the default board but for the lines "setting value" after it. Blank lines and what
// follows "#" are skipped. name stands for the file in errors; every error is
// returned, with its line.
func ReadBoards(name string, r io.Reader) (map[string]Board, error) {
	boards := make(map[string]Board)
	var errs []error
	var current string
	var seen map[string]bool
	line := 0
	bad := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("%s:%d: %w", name, line, fmt.Errorf(format, args...)))
	}
	finish := func() {
		if b, ok := boards[current]; ok {
			if err := b.check(); err != nil {
				bad("board %s ends here: %w", current, err)
			}
		}
	}
	scan := bufio.NewScanner(r)
	for scan.Scan() {
		line++
		text, _, _ := strings.Cut(scan.Text(), "#")
		words := strings.Fields(text)
		if len(words) == 0 {
			continue
		}
		if len(words) != 2 {
			bad("want two words, a setting and its value, not %q", strings.TrimSpace(text))
			continue
		}
		key, value := words[0], words[1]
		if key == "board" {
			finish()
			if _, twice := boards[value]; twice {
				bad("board %q comes twice", value)
			}
			current, seen = value, make(map[string]bool)
			boards[current] = DefaultBoard()
			continue
		}
		f, known := boardFields[key]
		switch {
		case current == "":
			bad("setting %q before the first board", key)
		case !known:
			bad("setting %q is unknown", key)
		case seen[key]:
			bad("setting %q comes twice", key)
		default:
			b := boards[current]
			if err := f.set(&b, value); err != nil {
				bad("%s %q: %w", key, value, err)
			}
			boards[current], seen[key] = b, true
		}
	}
	finish()
	if err := scan.Err(); err != nil {
		errs = append(errs, fmt.Errorf("%s:%d: %w", name, line+1, err))
	}
	if len(errs) > 0 {
		return nil, fmt.Errorf("cannot read boards: %w", errors.Join(errs...))
	}
	return boards, nil
}

// WriteBoards writes a table that [ReadBoards] reads, boards by name, each with the
// settings in which it differs from the default board.
func WriteBoards(w io.Writer, boards map[string]Board) error {
	names := make([]string, 0, len(boards))
	for n := range boards {
		names = append(names, n)
	}
	slices.Sort(names)
	keys := make([]string, 0, len(boardFields))
	for k := range boardFields {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	common := DefaultBoard()
	var out strings.Builder
	for _, n := range names {
		b := boards[n]
		fmt.Fprintf(&out, "\nboard %s\n", n)
		for _, k := range keys {
			if v := boardFields[k].get(&b); v != boardFields[k].get(&common) {
				fmt.Fprintf(&out, "%s %s\n", k, v)
			}
		}
	}
	_, err := io.WriteString(w, out.String())
	return err
}
