package supervisor

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The diagram of the states is in this file, between these lines.
const (
	diagramFile  = "../docs/dev/machine.md"
	diagramBegin = "<!-- states: begin; made from supervisor.Transition, UPDATE=1 go test -run TestDiagram ./supervisor writes it anew -->\n"
	diagramEnd   = "<!-- states: end -->\n"
)

// TestDiagramIsTheTransitions compares the diagram for developers with the transition table of the
// machine. With UPDATE=1 in the environment it rewrites the diagram.
func TestDiagramIsTheTransitions(t *testing.T) {
	text, err := os.ReadFile(diagramFile)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, begun := strings.Cut(string(text), diagramBegin)
	drawn, after, ended := strings.Cut(rest, diagramEnd)
	if !begun || !ended {
		t.Fatalf("%s has no place for the diagram: it needs the line %q and, after it, %q", diagramFile, diagramBegin, diagramEnd)
	}
	want := "```\n" + strings.Join(diagram(t), "\n") + "\n```\n"
	if drawn == want {
		return
	}
	if os.Getenv("UPDATE") == "1" {
		if err := os.WriteFile(diagramFile, []byte(before+diagramBegin+want+diagramEnd+after), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	t.Errorf("the diagram in %s is not the transition table; UPDATE=1 go test -run TestDiagram ./supervisor writes it anew (-drawn +table):\n%s",
		diagramFile, cmp.Diff(strings.Split(drawn, "\n"), strings.Split(want, "\n")))
}

// diagram draws every transition once: a line for each command and the state it leads to, followed by
// the states that follow by themselves when work is done.
func diagram(t *testing.T) []string {
	drawn, inTable := map[edge]bool{}, 0
	lines := []string{"from                              command        leads to, and ==> on by itself when the work is done", ""}
	for _, c := range Commands() {
		byTarget := map[State][]State{}
		for _, from := range States() {
			if to, ok := Transition(from, c); ok {
				inTable++
				drawn[edge{from, c}] = true
				byTarget[to] = append(byTarget[to], from)
			}
		}
		for _, to := range States() {
			if from := byTarget[to]; len(from) > 0 {
				lines = append(lines, row(named(from), fmt.Sprintf("--%s-->", c), chain(to, drawn))...)
			}
		}
	}
	lines = append(lines, row([]string{Execute.String()}, "==>", chain(Completing, drawn)+"   (all parts made)")...)
	drawn[edge{Execute, StateComplete}] = true
	for _, from := range States() {
		_, ok := Transition(from, StateComplete)
		if ok {
			inTable++
		}
		if ok != from.Acting() {
			t.Errorf("%s: Acting says %t, and the table that its work ends is %t", from, from.Acting(), ok)
		}
	}
	if len(drawn) != inTable {
		t.Errorf("the diagram draws %d transitions, the table has %d", len(drawn), inTable)
	}
	return lines
}

type edge struct {
	from State
	by   Command
}

// chain follows the states that follow by themselves, up to one that waits for a command or to
// Execute, which has a line of its own.
func chain(s State, drawn map[edge]bool) string {
	text := s.String()
	for s != Execute {
		to, ok := Transition(s, StateComplete)
		if !ok {
			break
		}
		drawn[edge{s, StateComplete}] = true
		text += " ==> " + to.String()
		s = to
	}
	return text
}

// named lists states two in a row, or the excluded ones if they are fewer.
func named(states []State) []string {
	var names []string
	for _, s := range States() {
		if slices.Contains(states, s) == (len(states) <= len(States())/2) {
			names = append(names, s.String())
		}
	}
	var rows []string
	if len(states) > len(States())/2 {
		rows = append(rows, "every state but")
	}
	for pair := range slices.Chunk(names, 2) {
		rows = append(rows, strings.Join(pair, ", "))
	}
	for i := range rows[:len(rows)-1] {
		if rows[i] != "every state but" {
			rows[i] += ","
		}
	}
	return rows
}

// row places the arrow beside the first of its source states.
func row(from []string, arrow, to string) []string {
	lines := []string{fmt.Sprintf("%-32s  %-14s %s", from[0], arrow, to)}
	for _, more := range from[1:] {
		lines = append(lines, "  "+more)
	}
	return lines
}
