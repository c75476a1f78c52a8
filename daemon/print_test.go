package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"unicode"
)

// TestNothingPrintedIsObeyedByATerminal prints hostile text as an error and as JSON.
func TestNothingPrintedIsObeyedByATerminal(t *testing.T) {
	const hostile = "a\x1b]0;x\x07b\u009b2Jc\u202ed\x7fe\rf"
	var b bytes.Buffer
	tell(&b, &failure{status: exitJob, err: errors.New("cannot read " + hostile), details: []string{hostile}, hint: hostile})
	if err := printJSON(&b, map[string]string{"name": hostile}); err != nil {
		t.Fatal(err)
	}
	for _, r := range b.String() {
		if r != '\n' && !unicode.IsPrint(r) {
			t.Errorf("%U is printed: %q", r, b.String())
		}
	}
	var back map[string]string
	if err := json.Unmarshal(b.Bytes()[strings.Index(b.String(), "{"):], &back); err != nil || back["name"] != hostile {
		t.Errorf("the JSON holds %q: %v", back, err)
	}
}
