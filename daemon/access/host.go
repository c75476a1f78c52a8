package access

import (
	"net"
	"net/http"
	"net/netip"
	"strings"
)

// headers sets what keeps pages of other sites away from ours. A handler may replace it by
// something stricter.
func headers(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=(), payment=(), usb=(), serial=()")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
}

// hostName returns the name in a Host header, without port and brackets, in lower case.
func hostName(host string) string {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return strings.ToLower(strings.Trim(host, "[]"))
}

// isLocalName reports whether a name means, on any computer, that computer itself.
func isLocalName(name string) bool {
	if name == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(name)
	return err == nil && a.IsLoopback()
}

// knownHost reports whether a Host header names this daemon. Without a secret only local names
// do. With one, so do the names of this computer and any numeric address: the danger is a foreign
// name that was made to resolve to this computer.
func (g *Gate) knownHost(host string) bool {
	n := hostName(host)
	if isLocalName(n) || len(g.secrets) == 0 {
		return isLocalName(n)
	}
	_, err := netip.ParseAddr(n)
	return err == nil || g.hosts[n]
}

// Answers reports whether requests with a Host header are taken for ours.
func (g *Gate) Answers(host string) bool { return g.knownHost(host) }

// hostRemedy says by which names the daemon may be called.
func (g *Gate) hostRemedy() string {
	if len(g.secrets) == 0 {
		return "use 127.0.0.1, [::1] or localhost"
	}
	return "use its address in numbers, or name it as server.public_url"
}

// viaProxy reports whether a proxy has passed a request on.
func viaProxy(r *http.Request) bool {
	for _, h := range []string{"X-Forwarded-For", "X-Forwarded-Host", "X-Forwarded-Proto", "X-Real-Ip", "Forwarded", "Via"} {
		if r.Header.Get(h) != "" {
			return true
		}
	}
	return false
}

// sender returns the address that a request comes from: that of the connection or, behind the
// trusted proxy, the last one in X-Forwarded-For that is not the proxy's own.
func (g *Gate) sender(r *http.Request) netip.Addr {
	peer := parseAddr(r.RemoteAddr)
	if !g.o.Proxy.Contains(peer) {
		return peer
	}
	chain := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for i := len(chain) - 1; i >= 0; i-- {
		a := parseAddr(strings.TrimSpace(chain[i]))
		if !a.IsValid() {
			return peer // nonsense may come from anybody
		}
		if !g.o.Proxy.Contains(a) {
			return a
		}
	}
	return peer
}

// parseAddr reads an address with or without a port; the zero Addr is none.
func parseAddr(text string) netip.Addr {
	if p, err := netip.ParseAddrPort(text); err == nil {
		return p.Addr().Unmap().WithZone("")
	}
	a, err := netip.ParseAddr(strings.Trim(text, "[]"))
	if err != nil {
		return netip.Addr{}
	}
	return a.Unmap().WithZone("")
}
