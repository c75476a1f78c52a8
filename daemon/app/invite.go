package app

import (
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"strings"

	"go.uber.org/zap"

	"beltwarden/config"
	"beltwarden/daemon/access"
	"beltwarden/daemon/api"
	"beltwarden/daemon/client"
)

// invite makes a code by which one browser signs in, with the address that it opens.
func (a *App) invite(q client.InviteRequest, by string) (v client.Invitation, err error) {
	if !a.secret {
		return v, &api.InviteError{Detail: "cannot make a code: no secret is set, so that nobody signs in",
			Remedy: "make a secret with: beltwarden config secret FILE, name it as server.secret_file, and restart the daemon"}
	}
	base, err := a.reachedAt(q.URL)
	if err != nil {
		return v, err
	}
	role := access.Look
	if q.Role == access.Operate.String() {
		role = access.Operate
	}
	made, err := a.gate.Invite(role)
	if err != nil {
		return v, err
	}
	a.log.Info("a code to sign in was made", zap.String("role", q.Role), zap.String("by", by), zap.Time("until", made.Until))
	return client.Invitation{Machine: a.run.Snapshot().Machine, Role: q.Role, URL: base + access.InvitePath + made.Token, Login: base + "/login",
		Code: made.Code, Until: made.Until}, nil
}

// reachedAt returns the address by which another computer reaches the daemon: as asked, or else as configured.
func (a *App) reachedAt(asked string) (string, error) {
	c := a.o.Config.Server
	text := asked
	if text == "" {
		text = c.PublicURL
	}
	if text == "" {
		scheme := "http"
		if c.TLSCertFile != "" {
			scheme = "https"
		}
		host, port, err := net.SplitHostPort(a.Addr())
		if err != nil || config.Loopback(a.Addr()) {
			return "", &api.InviteError{Detail: "cannot make a code: the daemon listens on this computer alone, and no telephone reaches it",
				Remedy: "set server.listen to an address of the network, or server.public_url to that of a proxy"}
		}
		if ip, err := netip.ParseAddr(host); err != nil || ip.IsUnspecified() {
			return "", &api.InviteError{Detail: "cannot make a code: the daemon listens on every address, and none is known to be the telephone's way",
				Remedy: "set server.public_url, or name one: " + strings.Join(ownURLs(scheme, port), ", or ")}
		}
		text = scheme + "://" + net.JoinHostPort(host, port)
	}
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil {
		return "", &api.InviteError{Detail: fmt.Sprintf("cannot make a code: %q is no address of a daemon", text), Remedy: "write it as http://ADDRESS:PORT or https://ADDRESS:PORT"}
	}
	if asked == "" && config.Loopback(net.JoinHostPort(u.Hostname(), "0")) { // asked for, it is a tunnel's end
		return "", &api.InviteError{Detail: "cannot make a code: " + u.Hostname() + " is the telephone itself, to a telephone",
			Remedy: "name the address of this computer in the network"}
	}
	if !a.gate.Answers(u.Host) {
		return "", &api.InviteError{Detail: "cannot make a code: the daemon does not answer by the name " + u.Hostname(), Remedy: "use its address in numbers, or set server.public_url to that name"}
	}
	return u.Scheme + "://" + u.Host, nil
}

// ownURLs are the addresses of this computer in its networks, as flags of the command.
func ownURLs(scheme, port string) (list []string) {
	addresses, _ := net.InterfaceAddrs() // an aid alone
	for _, a := range addresses {
		if p, err := netip.ParsePrefix(a.String()); err == nil && p.Addr().Is4() && !p.Addr().IsLoopback() && !p.Addr().IsLinkLocalUnicast() {
			list = append(list, "--url "+scheme+"://"+net.JoinHostPort(p.Addr().String(), port))
		}
	}
	if len(list) == 0 {
		list = []string{"--url " + scheme + "://ADDRESS:" + port}
	}
	return list[:min(len(list), 4)]
}
