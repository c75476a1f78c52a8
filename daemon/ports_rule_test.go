package main

import (
	"strings"
	"testing"

	"beltwarden/serialio"
)

// The keys are those of udev(7) and of the properties that systemd's rules set for
// USB devices, ID_VENDOR_ID and ID_MODEL_ID in small letters.
func TestPortRule(t *testing.T) {
	const marks = `, SYMLINK+="beltwarden/machine", GROUP="dialout", MODE="0660", ENV{ID_MM_DEVICE_IGNORE}="1", ENV{ID_MM_PORT_IGNORE}="1", TAG+="systemd"`
	const kind = `SUBSYSTEM=="tty", ENV{ID_BUS}=="usb", ENV{ID_VENDOR_ID}=="12ab", ENV{ID_MODEL_ID}=="00cd"`
	port := serialio.PortInfo{Path: "/dev/ttyUSB0", VendorID: "12AB", ProductID: "00CD"}
	for _, c := range []struct {
		name, serial string
		links        []string
		want         string
	}{
		{"serial number", "AB01", []string{"/dev/serial/by-id/x", "/dev/serial/by-path/y"}, kind + `, ENV{ID_SERIAL_SHORT}=="AB01"` + marks},
		{"patterns in it", `A*"B|1`, nil, kind + `, ENV{ID_SERIAL_SHORT}=="A??B?1"` + marks},
		{"socket", "", []string{"/dev/serial/by-id/x", "/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0"}, kind + `, ENV{ID_PATH}=="pci-0000:00:14.0-usb-0:2:1.0"` + marks},
		{"neither", "", nil, kind + marks},
	} {
		p := port
		p.SerialNumber, p.StableNames = c.serial, c.links
		about, rule, _ := strings.Cut(portRule(p), "\n")
		if !strings.HasPrefix(about, "# This adapter has ") || rule != c.want+"\n" {
			t.Errorf("%s:\n%s\n%swant\n%s", c.name, about, rule, c.want)
		}
	}
	var out strings.Builder
	if err := printRule(&out, []serialio.PortInfo{port, {Path: "/dev/ttyS0"}}, "/dev/ttyUSB0"); err != nil || !strings.Contains(out.String(), "machine") {
		t.Errorf("%v, %q", err, out.String())
	}
	for _, name := range []string{"/dev/ttyUSB1", "/dev/ttyS0"} {
		if err := printRule(&out, []serialio.PortInfo{port, {Path: "/dev/ttyS0"}}, name); err == nil {
			t.Errorf("a rule for %s", name)
		}
	}
}
