package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
)

// asRules writes every query of a dashboard as a recording rule, in which the words
// that the server of the dashboard replaces stand for themselves.
func asRules(file string) error {
	data, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("cannot check the queries: %w", err)
	}
	var board struct {
		Panels []struct {
			Title   string `json:"title"`
			Targets []struct {
				Expr string `json:"expr"`
			} `json:"targets"`
		} `json:"panels"`
		Annotations struct {
			List []struct {
				Name string `json:"name"`
				Expr string `json:"expr"`
			} `json:"list"`
		} `json:"annotations"`
	}
	if err := json.Unmarshal(data, &board); err != nil {
		return fmt.Errorf("cannot read %s: %w", file, err)
	}
	var b strings.Builder
	b.WriteString("groups:\n  - name: queries\n    rules:\n")
	n := 0
	add := func(title, expr string) {
		n++
		fmt.Fprintf(&b, "      # %s\n      - record: query:%d\n        expr: %s\n", title, n, strconv.Quote(strings.ReplaceAll(expr, "$__rate_interval", "5m")))
	}
	for _, p := range board.Panels {
		for _, t := range p.Targets {
			add(p.Title, t.Expr)
		}
	}
	for _, a := range board.Annotations.List {
		add(a.Name, a.Expr)
	}
	if n == 0 {
		return errors.New("no query in " + file)
	}
	_, err = os.Stdout.WriteString(b.String())
	return err
}
