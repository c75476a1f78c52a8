package config

import (
	"strings"
	"testing"
)

func TestFresh(t *testing.T) {
	text, err := FromExample(map[string]string{"machine.port": "/dev/ttyUSB3", "machine.baud": "115200", "machine.forward": "-1", "belt.to_drop_mm": "180", "belt.loop_length_mm": "0", "belt.seam_width_mm": "0"})
	if err != nil {
		t.Fatal(err)
	}
	s, err := Parse("fresh.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	if s.Machine.Port != "/dev/ttyUSB3" || s.Machine.BaudRate != 115200 || s.Machine.Forward != -1 || s.Belt.ToDropMM != 180 || s.Belt.LoopLengthMM != 0 {
		t.Errorf("%+v", s)
	}
	if strings.Count(string(text), "\n") != strings.Count(string(Example()), "\n") || !strings.Contains(string(text), "# Device path of the board.") {
		t.Error("the comments of the example are lost")
	}
	if _, err := FromExample(map[string]string{"machine.colour": "red"}); err == nil || !strings.Contains(err.Error(), "machine.colour") {
		t.Errorf("%v", err)
	}
}
