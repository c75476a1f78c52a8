package main

import (
	"bufio"
	"bytes"
	"context"
	"os"
	"strings"
	"testing"
	"time"

	"beltwarden/config"
	"beltwarden/serialio/rig"
	"beltwarden/supervisor"
)

// TestSetupGuide: at a machine whose belt runs the other way, of which the configuration knows neither direction nor drop
// edge, the guide finds both, and writes them into the file, keeping the old one.
func TestSetupGuide(t *testing.T) {
	w := newWorkshop(t, "", "")
	text, err := os.ReadFile(w.config)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(bytes.Replace(text, []byte("forward: +1"), []byte("forward: unknown # not found yet"), 1), []byte("to_drop_mm: 220"), []byte("to_drop_mm: 0"), 1)
	if err := os.WriteFile(w.config, text, 0o600); err != nil {
		t.Fatal(err)
	}
	set := rig.DefaultSettings()
	set.Belt.Axis, set.Belt.Reversed, set.Speed = 'Y', true, 50
	r := w.simulate(t, set)
	d := w.serve(t, "beltwarden")
	d.reach(t, supervisor.Idle)
	eventually(t, "the first temperatures", func() bool {
		s, err := d.Status(t.Context())
		return err == nil && s.Heat.HasNozzle && s.Heat.HasBed
	})
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()

	// Whoever ends the input in the middle, or knows nothing, changes nothing.
	for _, answers := range []string{"yes\n", "n\n", "what\nyes\ns\nn\n"} {
		f := setupFlags{config: w.config, client: d.Client}
		var out strings.Builder
		err := f.guide(ctx, bufio.NewReader(strings.NewReader(answers)), &out)
		if now, _ := os.ReadFile(w.config); !bytes.Equal(now, text) || (err == nil) == (answers == "yes\n") {
			t.Fatalf("%q: %v\n%s", answers, err, out.String())
		}
	}

	f := setupFlags{config: w.config, by: "Ada", client: d.Client}
	var out strings.Builder
	was := r.BeltAdvanceMM()
	answers := "yes\na\n" + "50\n50\n50\n20\n50\nf\n" + "yes\n100\n" + "yes\n"
	if err := f.guide(ctx, bufio.NewReader(strings.NewReader(answers)), &out); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	if moved := r.BeltAdvanceMM() - was; moved < 314.9 || moved > 315.1 { // -5, 220 and 100 towards the drop edge
		t.Errorf("the belt has moved %g mm\n%s", moved, out.String())
	}
	for _, want := range []string{"machine.forward: -1", "the drop edge is 220 mm from the nozzle", "the scale is right", w.config + ".before-setup"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not said:\n%s", want, out.String())
		}
	}
	cfg, err := config.Load(w.config)
	if err != nil || cfg.Machine.Forward != -1 || cfg.Belt.ToDropMM != 220 {
		t.Errorf("%+v %v", cfg, err)
	}
	if old, err := os.ReadFile(w.config + ".before-setup"); err != nil || !bytes.Equal(old, text) {
		t.Errorf("the old file: %v\n%s", err, old)
	}
	if now, _ := os.ReadFile(w.config); !bytes.Contains(now, []byte("forward: -1 # not found yet")) {
		t.Errorf("the new file:\n%s", now)
	}
	d.stop(t)
	d = w.serve(t, "beltwarden")
	if s := d.reach(t, supervisor.Idle); s.Setup != nil || s.Belt.UncertainMM != 0 {
		t.Errorf("after the restart: %+v, %g mm uncertain", s.Setup, s.Belt.UncertainMM)
	}
}
