package serialio

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The forms are common practice of line-numbered controllers; no source.
func TestParseReply(t *testing.T) {
	none := func(k ReplyKind) Reply { return Reply{Kind: k, Number: -1, PlannerFree: -1, BufferFree: -1} }
	with := func(k ReplyKind, f func(r *Reply)) Reply { r := none(k); f(&r); return r }
	text := func(k ReplyKind, s string) Reply { return with(k, func(r *Reply) { r.Text = s }) }
	number := func(k ReplyKind, n int64) Reply { return with(k, func(r *Reply) { r.Number = n }) }
	temps := Temps{NozzleC: 201.2, NozzleTargetC: 202, BedC: 60.1, BedTargetC: 60, NozzleDuty: 127, BedDuty: 63,
		HasNozzle: true, HasNozzleTarget: true, HasBed: true, HasBedTarget: true, HasNozzleDuty: true, HasBedDuty: true}
	cases := []struct {
		line string
		want Reply
	}{
		{"", none(ReplyUnknown)},
		{"ok", none(ReplyOK)},
		{" ok \r", none(ReplyOK)},
		{"\x00\xffok", none(ReplyOK)},
		{"okay", text(ReplyUnknown, "okay")},
		{"ok N10 P15 B3", with(ReplyOK, func(r *Reply) { r.Number, r.PlannerFree, r.BufferFree = 10, 15, 3 })},
		{"ok P15 B3", with(ReplyOK, func(r *Reply) { r.PlannerFree, r.BufferFree = 15, 3 })},
		{"ok N-1 what", text(ReplyOK, "N-1 what")},
		{"ok T:201.2 /202.0 B:60.1 /60.0 @:127 B@:63", with(ReplyOK, func(r *Reply) {
			r.Temps, r.Text = temps, "T:201.2 /202.0 B:60.1 /60.0 @:127 B@:63"
		})},
		{"T:201.2 /202.0 B:60.1 /60.0 @:127 B@:63", with(ReplyTemps, func(r *Reply) {
			r.Temps, r.Text = temps, "T:201.2 /202.0 B:60.1 /60.0 @:127 B@:63"
		})},
		{"Resend: 123", number(ReplyResend, 123)}, {"Resend:123", number(ReplyResend, 123)},
		{"resend 123", number(ReplyResend, 123)}, {"Resend: N123", number(ReplyResend, 123)},
		{"rs N123", number(ReplyResend, 123)}, {"rs 123", number(ReplyResend, 123)}, {"rs N123 tail", number(ReplyResend, 123)},
		{"Resend: 12x", number(ReplyResend, -1)}, {"Resend:", number(ReplyResend, -1)},
		{"Resend: -4", number(ReplyResend, -1)}, {"Resend: 99999999999", number(ReplyResend, -1)},
		{"rsync", text(ReplyUnknown, "rsync")},
		{"start", none(ReplyStart)}, {"wait", none(ReplyWait)}, {"starting", text(ReplyUnknown, "starting")},
		{"!!", text(ReplyHalted, "!!")},
		{"fatal: heater", text(ReplyHalted, "fatal: heater")},
		{"Error:Machine halted. Reset", text(ReplyHalted, "Machine halted. Reset")},
		{"Error:kill called", text(ReplyHalted, "kill called")},
		{"Error:checksum mismatch, Last Line: 4", text(ReplyError, "checksum mismatch, Last Line: 4")},
		{"echo:busy: processing", text(ReplyBusy, "processing")}, {"busy: paused for user", text(ReplyBusy, "paused for user")},
		{"echo:halted", text(ReplyEcho, "halted")},
		{"// action:pause", with(ReplyAction, func(r *Reply) { r.Action = "pause" })},
		{"//action: cancel ", with(ReplyAction, func(r *Reply) { r.Action = "cancel" })},
		{"// some remark", text(ReplyComment, "some remark")},
		{"Cap:AUTOREPORT_TEMP:1", with(ReplyCapability, func(r *Reply) { r.Capability, r.CapabilityOn = "AUTOREPORT_TEMP", true })},
		{"Cap:EMERGENCY_PARSER:0", with(ReplyCapability, func(r *Reply) { r.Capability = "EMERGENCY_PARSER" })},
		{"Cap:EMERGENCY_PARSER:7", text(ReplyUnknown, "Cap:EMERGENCY_PARSER:7")},
		{"FIRMWARE_NAME:Some Board 1.2 PROTOCOL_VERSION:1.0", text(ReplyFirmware, "FIRMWARE_NAME:Some Board 1.2 PROTOCOL_VERSION:1.0")},
		{"X:1.00 Y:-2.50 Z:3.00 E:4.25 Count X:80 Y:160 Z:1200", with(ReplyPosition, func(r *Reply) {
			r.Position, r.HasPosition, r.Text = [4]float64{1, -2.5, 3, 4.25}, true, "X:1.00 Y:-2.50 Z:3.00 E:4.25 Count X:80 Y:160 Z:1200"
		})},
		{"X:1.00Y:2.00Z:3.00E:4.00", with(ReplyPosition, func(r *Reply) {
			r.Position, r.HasPosition, r.Text = [4]float64{1, 2, 3, 4}, true, "X:1.00Y:2.00Z:3.00E:4.00"
		})},
		{"X:1.00 Y:2.00 Count Z:3", text(ReplyUnknown, "X:1.00 Y:2.00 Count Z:3")},
		{"X:nan Y:2.00 Z:3", text(ReplyUnknown, "X:nan Y:2.00 Z:3")},
		{"caf\xc3\xa9\x01\xff!", text(ReplyUnknown, "caf???!")},
	}
	for _, c := range cases {
		if diff := cmp.Diff(c.want, ParseReply([]byte(c.line))); diff != "" {
			t.Errorf("%q (-want +got):\n%s", c.line, diff)
		}
	}
}

func TestParseTemps(t *testing.T) {
	cases := []struct {
		line string
		want Temps
	}{
		{"T:25.0 E:0 W:?", Temps{NozzleC: 25, HasNozzle: true}},
		{"T0:190.5/200 T1:20/0 B:-3.25/0", Temps{NozzleC: 190.5, NozzleTargetC: 200, BedC: -3.25, HasNozzle: true, HasNozzleTarget: true, HasBed: true, HasBedTarget: true, HasSecond: true}},
		{"T:21 T0:99", Temps{NozzleC: 21, HasNozzle: true}},
		{"C:40.5 /50 T:20", Temps{ChamberC: 40.5, HasChamber: true, NozzleC: 20, HasNozzle: true}},
		{"T:nan B:20", Temps{BedC: 20, HasBed: true, NozzleUnread: true}},
		{"T:nan /205.00 B:20 /60", Temps{NozzleTargetC: 205, HasNozzleTarget: true, NozzleUnread: true, BedC: 20, HasBed: true, BedTargetC: 60, HasBedTarget: true}},
		{"T:-127.00 /205 B:--- /60", Temps{NozzleTargetC: 205, HasNozzleTarget: true, NozzleUnread: true, BedUnread: true, BedTargetC: 60, HasBedTarget: true}},
		{"T:1100 /205", Temps{NozzleTargetC: 205, HasNozzleTarget: true, NozzleUnread: true}},
		{"T0:-273.15/205 T1:20/0 B:20", Temps{NozzleTargetC: 205, HasNozzleTarget: true, NozzleUnread: true, BedC: 20, HasBed: true, HasSecond: true}},
		{"T:inf", Temps{}}, {"T:1e3", Temps{}}, {"T:99999", Temps{}}, {"T:-200", Temps{}}, {"T:", Temps{}}, {"TT:20", Temps{}},
		{"T:20 /-5", Temps{NozzleC: 20, HasNozzle: true}},
		{"T:" + strings.Repeat("9", 400), Temps{}},
		{"B:60", Temps{BedC: 60, HasBed: true}},
	}
	for _, c := range cases {
		var got Temps
		parseTemps(&got, []byte(c.line))
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%q (-want +got):\n%s", c.line, diff)
		}
	}
}

func TestFirmwareFields(t *testing.T) {
	r := ParseReply([]byte("FIRMWARE_NAME:Some Board 1.2 (Nov 2024) SOURCE_CODE_URL:example.org/x PROTOCOL_VERSION:1.0 EXTRUDER_COUNT:1 UUID:00-11"))
	want := map[string]string{"FIRMWARE_NAME": "Some Board 1.2 (Nov 2024)", "SOURCE_CODE_URL": "example.org/x",
		"PROTOCOL_VERSION": "1.0", "EXTRUDER_COUNT": "1", "UUID": "00-11"}
	if diff := cmp.Diff(want, r.Fields()); diff != "" {
		t.Error(diff)
	}
}

// TestReplyMemory: the work for a line does not grow with its length.
func TestReplyMemory(t *testing.T) {
	for _, start := range []string{"ok ", "Error:", "Resend: ", "T:", "X:", "Cap:", "FIRMWARE_", "// action:", ""} {
		line := []byte(start + strings.Repeat("9", 1<<20))
		n := testing.AllocsPerRun(10, func() { ParseReply(line) })
		r := ParseReply(line)
		if n > 4 || len(r.Text) > maxText || len(r.Action) > maxText || len(r.Capability) > maxText {
			t.Errorf("%q: %v allocations, text of %d bytes", start, n, len(r.Text))
		}
	}
	line := []byte("ok N10 P15 B3")
	if n := testing.AllocsPerRun(100, func() { ParseReply(line) }); n > 0 {
		t.Errorf("plain ok: %v allocations", n)
	}
}

func FuzzParseReply(f *testing.F) {
	for _, s := range []string{"ok N10 P15 B3", "ok T:201.2 /202.0 B:60.1 /60.0 @:127 B@:63", "Resend: 12", "rs N1",
		"X:0.00 Y:0.00 Z:0.00 E:0.00 Count X:0", "Cap:A:1", "// action:pause", "echo:busy: x", "!!", "T0:1/2T1:3/4"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		r := ParseReply(line)
		for _, v := range append(r.Position[:], r.Temps.NozzleC, r.Temps.NozzleTargetC, r.Temps.BedC, r.Temps.BedTargetC,
			r.Temps.ChamberC, r.Temps.NozzleDuty, r.Temps.BedDuty) {
			if math.IsNaN(v) || math.Abs(v) > 1e7 {
				t.Fatalf("%q: number %v", line, v)
			}
		}
		if r.Number < -1 || r.Number > maxBoardNumber || !isText([]byte(r.Text+r.Action+r.Capability)) || len(r.Text) > maxText {
			t.Fatalf("%q: %+v", line, r)
		}
		if fmt.Sprint(r.Kind) == "invalid" {
			t.Fatalf("%q: kind %d", line, r.Kind)
		}
	})
}
