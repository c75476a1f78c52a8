package main

import (
	"fmt"
	"io"
	"path"
	"regexp"
	"slices"
	"strings"

	"beltwarden/serialio"
)

// printRule prints a rule for the port of that name.
func printRule(out io.Writer, list []serialio.PortInfo, name string) error {
	i := slices.IndexFunc(list, func(p serialio.PortInfo) bool { return p.Path == name || slices.Contains(p.StableNames, name) })
	if i < 0 {
		return &failure{status: exitPort, err: fmt.Errorf("cannot write a rule for %s: there is no such serial port", name), hint: "beltwarden ports lists them"}
	}
	if list[i].VendorID == "" {
		return &failure{status: exitPort, err: fmt.Errorf("cannot write a rule for %s: it is not on USB", name), hint: "its name stays the same without one"}
	}
	_, err := fmt.Fprint(out, portRule(list[i]))
	return err
}

// ofPort is what by-path links have behind the socket: one port of several.
var ofPort = regexp.MustCompile(`-port[0-9]+$`)

// portRule is a rule for udev(7) that matches one adapter: by its serial number, or
// without one by the socket that it is plugged into.
func portRule(p serialio.PortInfo) string {
	const marks = `SYMLINK+="beltwarden/machine", GROUP="dialout", MODE="0660", ENV{ID_MM_DEVICE_IGNORE}="1", ENV{ID_MM_PORT_IGNORE}="1", TAG+="systemd"`
	match := fmt.Sprintf(`SUBSYSTEM=="tty", ENV{ID_BUS}=="usb", ENV{ID_VENDOR_ID}=="%s", ENV{ID_MODEL_ID}=="%s"`,
		strings.ToLower(p.VendorID), strings.ToLower(p.ProductID))
	about := "# This adapter has a serial number: it has its name in every socket.\n"
	if p.SerialNumber != "" {
		return about + match + `, ENV{ID_SERIAL_SHORT}=="` + literal(p.SerialNumber) + `", ` + marks + "\n"
	}
	for _, link := range p.StableNames {
		if strings.Contains(link, "/by-path/") {
			about = "# This adapter has no serial number: it has its name in the socket where it is now.\n"
			return about + match + `, ENV{ID_PATH}=="` + literal(ofPort.ReplaceAllString(path.Base(link), "")) + `", ` + marks + "\n"
		}
	}
	about = "# This adapter has no serial number: another of its kind has the same name.\n"
	return about + match + ", " + marks + "\n"
}

// literal writes a text so that a pattern of udev matches it and little else.
func literal(text string) string {
	return strings.Map(func(r rune) rune {
		if r <= ' ' || r > '~' || strings.ContainsRune(`*?[]|"\\`, r) {
			return '?'
		}
		return r
	}, text)
}
