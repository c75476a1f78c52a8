package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"

	"beltwarden/serialio"
)

// findPort takes the only USB port that there is, by its stable name, and lists ports
// otherwise. What is built into a computer is there without a machine.
func (f *newFlags) findPort(out io.Writer) (listed []string) {
	list, err := serialio.Ports()
	if err != nil {
		fmt.Fprintln(out, err)
		return nil
	}
	var usb int
	for i, p := range list {
		name, what := bestName(p.Path, p.StableNames), "built in"
		if p.VendorID != "" {
			usb++
			f.port, what = name, strings.TrimSpace("USB "+p.Product)
		}
		listed = append(listed, name)
		list[i].Product = what
	}
	if usb == 1 {
		fmt.Fprintln(out, "The port is "+f.port+", the only one on USB.")
		return nil
	}
	f.port = ""
	if usb == 0 {
		fmt.Fprintln(out, "No USB serial port found: plug the machine in and switch it on, or give its path.")
	}
	if len(listed) > 0 {
		fmt.Fprintln(out, "Serial ports; enter a number or a path:")
	}
	for i, name := range listed {
		fmt.Fprintf(out, "  %d  %s (%s)\n", i+1, name, list[i].Product)
	}
	return listed
}

// takePort takes a path, or the number of a port that was listed.
func (f *newFlags) takePort(word string, listed []string) string {
	if n, err := strconv.Atoi(word); err == nil {
		if n < 1 || n > len(listed) {
			return "no port of that number is listed"
		}
		f.port = listed[n-1]
		return ""
	}
	if !filepath.IsAbs(word) {
		return "write the whole path from / on, such as /dev/serial/by-id/...; `beltwarden ports` lists them"
	}
	f.port = word
	return ""
}
