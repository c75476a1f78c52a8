package job

import (
	"errors"
	"slices"
	"strings"
	"testing"
)

// N4 to N7 and their sums are published lines, as those of testdata/checksum; the
// last two have one digit altered each.
func TestWrongChecksum(t *testing.T) {
	p, err := inspectText(t, start+"G1 X6 Y3 E5\nN4 G92 E0*67\nN6 G1 F1500.0*82\nN7 G1 X2.0 Y3.0 F3000.0*85\nG1 X7 E1*12 ; by hand\nM104 S0\n", upright)
	if err != nil {
		t.Fatal(err)
	}
	var got []Finding
	for _, f := range p.Findings {
		if f.Code == "checksum-wrong" {
			got = append(got, f)
		}
	}
	const remedy = "find out what altered the line, or slice the part again; it is sent as it stands"
	sum := byte(0)
	for _, c := range []byte("G1 X7 E1") {
		sum ^= c
	}
	if sum != 109 {
		t.Fatalf("the sum of the test's own line is %d", sum)
	}
	want := []Finding{
		{11, Warning, "checksum-wrong", "the line ends with checksum 85, and its bytes make 84", remedy},
		{12, Warning, "checksum-wrong", "the line ends with checksum 12, and its bytes make 109", remedy},
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
	if lines := strings.Join(section(t, p, Body), "|"); !strings.Contains(lines, "G1 X2 Y3 F3000|G1 X7 E1") || strings.Contains(lines, "*") {
		t.Errorf("sent %s", lines)
	}
}

func TestChecksumAbove255(t *testing.T) {
	_, err := inspectText(t, start+"G1 X6 E5\nN4 G92 E0*256\nN5 M117 hi*1000\n", upright)
	var refusal *Refusal
	if !errors.As(err, &refusal) {
		t.Fatalf("got %v", err)
	}
	const remedy = "correct the line, or slice the part again"
	want := []Finding{
		{9, Error, "unreadable", "column 10: a checksum is at most 255", remedy},
		{10, Error, "unreadable", "column 11: a checksum is at most 255", remedy},
	}
	if !slices.Equal(refusal.Problems, want) {
		t.Errorf("got %+v\nwant %+v", refusal.Problems, want)
	}
}
