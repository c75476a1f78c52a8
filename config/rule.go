package config

import (
	"net"
	"net/netip"
	"net/url"
	"path"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// maxSocketPath is the longest path a Unix socket can have on Linux: sun_path
// holds 108 bytes, the last of them zero (unix(7)).
const maxSocketPath = 107

// nameRule accepts a short printable name.
func nameRule(s string) (problem, remedy string) {
	if s == "" || utf8.RuneCountInString(s) > 64 || strings.ContainsFunc(s, func(c rune) bool { return !unicode.IsPrint(c) }) {
		return "is not a name", "write 1 to 64 printable characters"
	}
	return "", ""
}

// pathRule accepts an absolute path. The daemon may be started anywhere, so a
// relative one would mean another file each time.
func pathRule(s string) (problem, remedy string) {
	switch {
	case s == "":
		return "is empty", "write an absolute path"
	case strings.HasPrefix(s, "~"):
		return "begins with ~, which is not expanded", "write the whole path from / on"
	case !path.IsAbs(s):
		return "is not an absolute path", "write the whole path from / on"
	case strings.HasSuffix(s, "/"):
		return "is a directory", "name the file in it"
	case strings.ContainsFunc(s, unicode.IsControl):
		return "holds a control character", "write the path as it is listed"
	}
	return "", ""
}

// portRule accepts the path of a device.
func portRule(s string) (problem, remedy string) {
	if problem, remedy = pathRule(s); problem != "" {
		remedy = "write the whole path, such as /dev/serial/by-id/...; `beltwarden ports` lists them"
	}
	return problem, remedy
}

// folderRule accepts the absolute path of a folder.
func folderRule(s string) (problem, remedy string) {
	if s == "/" {
		return "is the whole disk", "write a folder of its own"
	}
	return pathRule(strings.TrimSuffix(s, "/"))
}

// socketRule accepts a path that fits a socket address.
func socketRule(s string) (problem, remedy string) {
	if problem, remedy = pathRule(s); problem == "" && len(s) > maxSocketPath {
		return "is too long for a socket", "write a path of at most " + strconv.Itoa(maxSocketPath) + " bytes"
	}
	return problem, remedy
}

// optional accepts the empty text, which switches something off.
func optional(rule func(string) (string, string)) func(string) (string, string) {
	return func(s string) (problem, remedy string) {
		if s == "" {
			return "", ""
		}
		return rule(s)
	}
}

// listenRule accepts host:port; port 0 lets the system choose.
func listenRule(s string) (problem, remedy string) {
	host, port, err := net.SplitHostPort(s)
	if err != nil || strings.ContainsFunc(host, unicode.IsSpace) {
		return "is not host:port", "write it as 127.0.0.1:7353, an IPv6 address in square brackets"
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || strconv.FormatUint(n, 10) != port {
		return "has no port number from 0 to 65535", "write it as 127.0.0.1:7353"
	}
	if strings.Trim(host, "0123456789.") == "" && host != "" && net.ParseIP(host) == nil {
		return "has no valid address", "write four numbers from 0 to 255, as in 127.0.0.1:7353"
	}
	return "", ""
}

// Loopback reports whether only this computer can reach a host:port.
func Loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.IsLoopback() || strings.EqualFold(host, "localhost")
}

// urlRule accepts an address that a request can be sent to. Its messages never
// repeat it.
func urlRule(s string) (problem, remedy string) {
	u, err := url.Parse(s)
	switch {
	case err != nil:
		return "is not a web address", "write it as https://host/path"
	case u.Scheme != "http" && u.Scheme != "https":
		return "does not begin with http:// or https://", "write it as https://host/path"
	case u.Hostname() == "":
		return "names no host", "write it as https://host/path"
	case u.Fragment != "":
		return "has a part after #, which is never sent", "remove it, or write # as %23"
	}
	return "", ""
}

// originRule accepts scheme and host, without a path.
func originRule(s string) (problem, remedy string) {
	if problem, _ = urlRule(s); problem != "" {
		return problem, "write it as https://host or http://host:7353"
	}
	if u, err := url.Parse(s); err != nil || u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.User != nil {
		return "has more than a host", "write it as https://host; the screen is at its root"
	}
	return "", ""
}

// prefixRule accepts an address, or a network such as 192.0.2.0/24.
func prefixRule(s string) (problem, remedy string) {
	if _, ok := ParsePrefix(s); !ok {
		return "is no address in numbers", "write it as 127.0.0.1, or a network as 192.0.2.0/24"
	}
	return "", ""
}

// ParsePrefix reads an address or a network, as Server.TrustedProxy holds it.
func ParsePrefix(s string) (netip.Prefix, bool) {
	if a, err := netip.ParseAddr(s); err == nil && a.Zone() == "" {
		return netip.PrefixFrom(a, a.BitLen()), true
	}
	p, err := netip.ParsePrefix(s)
	return p, err == nil
}

// headerName says whether s can be the name of a header (RFC 9110, 5.6.2).
func headerName(s string) bool {
	return s != "" && !strings.ContainsFunc(s, func(c rune) bool {
		return c > unicode.MaxASCII || !unicode.IsLetter(c) && !unicode.IsDigit(c) && !strings.ContainsRune("!#$%&'*+-.^_`|~", c)
	})
}

// attendedRule accepts two times of day, "07:00-22:00"; they may lie on both sides of
// midnight.
func attendedRule(s string) (problem, remedy string) {
	if _, _, ok := ParseSpan(s); !ok {
		return "is not two times of day", `write them like "07:00-22:00", in quotes; leave it out to work around the clock`
	}
	return "", ""
}

// quietRule accepts two times of day.
func quietRule(s string) (problem, remedy string) {
	if _, _, ok := ParseSpan(s); !ok {
		return "is not two times of day", `write them like "22:00-07:00", in quotes; leave it out to be called around the clock`
	}
	return "", ""
}

// ParseSpan reads two times of day, in minutes from midnight, as Hold.Attended holds them.
func ParseSpan(s string) (fromMin, toMin int, ok bool) {
	from, to, ok := strings.Cut(s, "-")
	if !ok {
		return 0, 0, false
	}
	minutes := func(s string) int {
		t, err := time.Parse("15:04", strings.TrimSpace(s))
		if err != nil {
			return -1
		}
		return t.Hour()*60 + t.Minute()
	}
	fromMin, toMin = minutes(from), minutes(to)
	return fromMin, toMin, fromMin >= 0 && toMin >= 0 && fromMin != toMin
}
