package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"beltwarden/daemon/access"
	"beltwarden/daemon/client"
	"beltwarden/daemon/screen"
	"beltwarden/supervisor"
)

// Times of a wall that follows daemons.
const (
	wallAsks   = 2 * time.Second  // between two questions to one daemon
	wallWaits  = 5 * time.Second  // for one answer
	wallLost   = 10 * time.Second // without an answer there is no contact
	wallHangs  = time.Minute      // a run that is well renews its picture every few seconds
	wallListen = "127.0.0.1:7354"
)

func newWall() *cobra.Command {
	var with []string
	var listen string
	c := &cobra.Command{
		Use: "wall [--with ADDRESS[,secret-file=FILE][,authority-file=FILE]]...", Short: "Show this machine and others side by side, for a display on the wall", Args: args(0, 0, ""),
		Long: "wall serves one page for a browser on this computer: the machine that --daemon names,\n" +
			"and beside it one for each --with, up to six, each in a place of its own in the order\n" +
			"given. It only looks. Each address has its own secret (one to look is enough) and its\n" +
			"own certificate, named after it. One that does not answer says \"No contact\" in its\n" +
			"place and holds up none of the others. The more machines, the smaller the letters and\n" +
			"the less is shown. For one machine alone its daemon's own page /wall needs no command.",
	}
	c.Flags().StringArrayVar(&with, "with", nil, "address of a further daemon, with files for it: ADDRESS,secret-file=FILE,authority-file=FILE")
	c.Flags().StringVar(&listen, "listen", wallListen, "loopback address of the page")
	c.RunE = func(c *cobra.Command, _ []string) error { return runWall(c, listen, with) }
	return c
}

// wallAddress is a daemon on the wall, as named on the command line.
type wallAddress struct{ address, secretFile, authorityFile string }

// parseWith reads an address with its files. The error names every word that is wrong.
func parseWith(text string) (a wallAddress, err error) {
	words := strings.Split(text, ",")
	a.address = strings.TrimSuffix(words[0], "/")
	var errs []error
	if err := checkAddress(a.address); err != nil {
		errs = append(errs, err)
	}
	for _, word := range words[1:] {
		key, value, _ := strings.Cut(word, "=")
		to := map[string]*string{"secret-file": &a.secretFile, "authority-file": &a.authorityFile}[key]
		switch {
		case to == nil:
			errs = append(errs, fmt.Errorf("%q is not secret-file=FILE or authority-file=FILE", word))
		case value == "":
			errs = append(errs, fmt.Errorf("%s names no file", key))
		case *to != "":
			errs = append(errs, fmt.Errorf("%s comes twice", key))
		default:
			*to = value
		}
	}
	if len(errs) > 0 {
		return a, fmt.Errorf("--with %s: %w", text, errors.Join(errs...))
	}
	return a, nil
}

// checkAddress says what is wrong with the address of a daemon.
func checkAddress(address string) error {
	if filepath.IsAbs(address) {
		return nil // a socket
	}
	u, err := url.Parse(address)
	switch {
	case err != nil || u.Scheme != "http" && u.Scheme != "https":
		return fmt.Errorf("%q is not an address: begin it with http:// or https://, or name a socket by its whole path", address)
	case u.Hostname() == "":
		return fmt.Errorf("%q names no computer", address)
	case u.User != nil || u.RawQuery != "" || u.Fragment != "" || u.Path != "":
		return fmt.Errorf("%q has more than a computer and a port: leave the rest out", address)
	}
	return nil
}

// followers are clients of all daemons on the wall: the one that the command is meant for, and those beside it. The error
// names every mistake.
func followers(c *cobra.Command, with []string) (list []*follower, err error) {
	var errs []error
	own, err := daemonAddress(c)
	if err != nil {
		return nil, err
	}
	d, err := newClient(c)
	if err != nil {
		errs = append(errs, err)
	}
	list = append(list, &follower{address: own, daemon: d})
	for _, text := range with {
		a, err := parseWith(text)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if slices.ContainsFunc(list, func(f *follower) bool { return f.address == a.address }) {
			errs = append(errs, fmt.Errorf("--with %s: this daemon is on the wall already", a.address))
			continue
		}
		secret, err := readFile("secret", a.secretFile, mostSecret)
		pem, perr := readFile("certificate", a.authorityFile, mostAuthority)
		if err = errors.Join(err, perr); err == nil {
			d, err = clientOf(a.address, secret, pem)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("--with %s: %w", a.address, err))
			continue
		}
		list = append(list, &follower{address: a.address, daemon: d})
	}
	if n := 1 + len(with); n > screen.MostOnWall {
		errs = append(errs, fmt.Errorf("%d machines are too many for one wall: with more than %d the letters cannot be read from 3 m", n, screen.MostOnWall))
	}
	return list, errors.Join(errs...)
}

func runWall(c *cobra.Command, listen string, with []string) error {
	list, err := followers(c, with)
	if host, _, lerr := net.SplitHostPort(listen); lerr != nil || !loopback(host) {
		err = errors.Join(err, fmt.Errorf("--listen %s is not a loopback address with a port: whoever reaches the page needs no secret", listen))
	}
	if err != nil {
		return &failure{status: exitUsage, err: fmt.Errorf("cannot show the wall: %w", err), hint: "see: " + c.CommandPath() + " --help"}
	}
	l, err := net.Listen("tcp", listen)
	if err != nil {
		return &failure{status: exitUsage, err: fmt.Errorf("cannot show the wall: %w", err), hint: "name another address with --listen"}
	}
	gate, err := access.New(access.Options{})
	if err != nil {
		return err
	}
	defer gate.Close()
	ctx, cancel := context.WithCancel(c.Context())
	defer cancel()
	var done sync.WaitGroup
	defer done.Wait()
	defer cancel()
	looks := make([]func() screen.Seen, len(list))
	for i, f := range list {
		looks[i], f.log = f.look, c.ErrOrStderr()
		done.Go(func() { f.follow(ctx) })
	}
	s := &http.Server{Handler: gate.Handler(screen.NewWall(screen.WallOptions{Machines: looks, Log: zap.NewNop()})),
		ReadHeaderTimeout: 10 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: 64 << 10}
	done.Go(func() { <-ctx.Done(); _ = s.Close() })
	fmt.Fprintf(c.OutOrStdout(), "Wall: http://%s/wall in a browser on this computer, with %s; Ctrl-C ends it.\n", l.Addr(), machines(len(list)))
	if err := s.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("cannot show the wall: %w", err)
	}
	return nil
}

func machines(n int) string {
	if n == 1 {
		return "one machine"
	}
	return fmt.Sprintf("%d machines", n)
}

// loopback reports whether a host is this computer and nothing else.
func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.IsLoopback()
}

// follower keeps what one daemon says of its machine.
type follower struct {
	address string
	daemon  *client.Client
	log     io.Writer // a line for each change of contact

	mu    sync.Mutex
	shot  *supervisor.Snapshot
	heard time.Time // when it came
	fresh time.Time // when it was another than before, by this computer's clock
	why   string    // the last answer did not come
}

// follow asks until the context ends.
func (f *follower) follow(ctx context.Context) {
	defer f.daemon.Close()
	_ = every(ctx, wallAsks, func() error {
		within, cancel := context.WithTimeoutCause(ctx, wallWaits, errors.New("no answer within "+wallWaits.String()))
		defer cancel()
		s, err := f.daemon.Status(within)
		if ctx.Err() == nil {
			f.take(s, err)
		}
		return nil
	})
}

func (f *follower) take(s *supervisor.Snapshot, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	now, why := time.Now(), ""
	switch {
	case err != nil:
		why = lostBecause(err)
	case s == nil:
		why = "its answer is not understood"
	default:
		if f.shot == nil || !s.At.Equal(f.shot.At) {
			f.fresh = now
		}
		f.shot, f.heard = s, now
	}
	switch {
	case why == f.why:
	case why == "":
		fmt.Fprintf(f.log, "%s %s: contact again\n", now.Format("15:04:05"), f.address)
	case err != nil:
		fmt.Fprintf(f.log, "%s %s: %s: %v\n", now.Format("15:04:05"), f.address, why, err)
	default:
		fmt.Fprintf(f.log, "%s %s: %s\n", now.Format("15:04:05"), f.address, why)
	}
	f.why = why
}

// look says what is known now.
func (f *follower) look() screen.Seen {
	f.mu.Lock()
	defer f.mu.Unlock()
	x := screen.Seen{Name: strings.TrimPrefix(strings.TrimPrefix(f.address, "http://"), "https://"), Snapshot: f.shot, Heard: f.heard}
	switch now := time.Now(); {
	case now.Sub(f.heard) > wallLost && f.why != "":
		x.Lost = f.why
	case now.Sub(f.heard) > wallLost:
		x.Lost = "no answer yet"
	case now.Sub(f.fresh) > wallHangs:
		x.Lost = "its daemon does not follow the machine"
	}
	return x
}

// lostBecause says in a few words why a daemon does not answer.
func lostBecause(err error) string {
	var p *client.Problem
	var untrusted *tls.CertificateVerificationError
	var name *net.DNSError
	switch {
	case errors.As(err, &p) && (p.Status == http.StatusUnauthorized || p.Status == http.StatusForbidden):
		return "it refuses the secret"
	case errors.As(err, &p) && p.Status == http.StatusMisdirectedRequest:
		return "it does not answer to this name"
	case errors.As(err, &p):
		return "it refuses to answer"
	case errors.As(err, &untrusted):
		return "its certificate is not trusted"
	case errors.Is(err, http.ErrSchemeMismatch):
		return "it does not encrypt"
	case errors.As(err, &name):
		return "its name is not known"
	case errors.Is(err, syscall.ECONNREFUSED), errors.Is(err, syscall.ENOENT):
		return "no daemon at its address"
	}
	return "it does not answer"
}
