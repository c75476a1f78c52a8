package serialio

import (
	"os"
	"path/filepath"
)

// PortInfo describes one serial port of this machine.
type PortInfo struct {
	Path         string   // kernel name; may change when the port is plugged in again
	StableNames  []string // names that stay, best first
	VendorID     string   // USB, four hexadecimal digits; empty for other ports
	ProductID    string
	SerialNumber string
	Product      string
}

// stableNames maps a device to the links in the directories that lead to it. A missing directory
// holds none.
func stableNames(dirs ...string) map[string][]string {
	out := map[string][]string{}
	for _, dir := range dirs {
		entries, err := os.ReadDir(dir)
		if err != nil {
			continue
		}
		for _, e := range entries {
			link := filepath.Join(dir, e.Name())
			if target, err := filepath.EvalSymlinks(link); err == nil {
				out[target] = append(out[target], link)
			}
		}
	}
	return out
}
