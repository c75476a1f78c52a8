package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"beltwarden/daemon/client"
)

// answerLimit is how long a command waits for the daemon. A request is answered
// once it is durable, which on a slow memory card takes seconds.
const answerLimit = 30 * time.Second

// mostSecret bounds the file that holds the secret.
const mostSecret = 4096

// mostAuthority bounds the file with certificates.
const mostAuthority = 1 << 20

// newClient returns a client of the daemon that the command is meant for.
func newClient(c *cobra.Command) (*client.Client, error) {
	address, err := daemonAddress(c)
	if err != nil {
		return nil, err
	}
	secret, err := namedFile(c, "secret", "secret-file", secretVariable, mostSecret)
	if err != nil {
		return nil, err
	}
	pem, err := namedFile(c, "certificate", "authority-file", authorityVariable, mostAuthority)
	if err != nil {
		return nil, err
	}
	return clientOf(address, secret, pem)
}

// clientOf returns a client of the daemon at an address, with its secret and the certificate that it is trusted by; nil
// for none.
func clientOf(address string, secret, pem []byte) (*client.Client, error) {
	var options []client.Option
	if secret != nil {
		text := strings.TrimSpace(string(secret))
		if strings.ContainsFunc(text, func(r rune) bool { return r <= ' ' || r > '~' }) {
			return nil, &failure{status: exitUsage, err: errors.New("cannot use the secret: its file holds more than one word of letters and digits"),
				hint: "name the file that was made with: beltwarden config secret FILE"}
		}
		options = append(options, client.WithSecret(text))
	}
	if pem != nil {
		trust, err := client.WithAuthority(pem)
		if err != nil {
			return nil, &failure{status: exitUsage, err: fmt.Errorf("cannot use the certificate: %w", err), hint: "name a file in PEM form: it begins with -----BEGIN CERTIFICATE-----"}
		}
		options = append(options, trust)
	}
	return client.New(address, options...), nil
}

// namedFile reads the file that a flag names, or else a variable of the environment;
// nil where neither does.
func namedFile(c *cobra.Command, what, flag, variable string, most int64) ([]byte, error) {
	path := os.Getenv(variable)
	if f := c.Flag(flag); f != nil && f.Changed {
		path = f.Value.String()
	}
	text, err := readFile(what, path, most)
	if err != nil {
		return nil, &failure{status: exitUsage, err: err, hint: "name its file with --" + flag + " or " + variable}
	}
	return text, nil
}

// readFile reads a file that was named; nil where none was.
func readFile(what, path string, most int64) ([]byte, error) {
	if path == "" {
		return nil, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("cannot read the %s: %w", what, err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, most))
	if err != nil {
		return nil, fmt.Errorf("cannot read the %s: %w", what, err)
	}
	return text, nil
}

// withDaemon calls the daemon that the command is meant for.
func withDaemon(c *cobra.Command, do func(ctx context.Context, d *client.Client) error) error {
	d, err := newClient(c)
	if err != nil {
		return err
	}
	defer d.Close()
	ctx, cancel := context.WithTimeoutCause(c.Context(), answerLimit, errors.New("no answer within "+answerLimit.String()))
	defer cancel()
	return do(ctx, d)
}

// classifyRemote gives an answer of the daemon, or its absence, an exit status.
func classifyRemote(err error) *failure {
	var unreachable *client.UnreachableError
	if errors.As(err, &unreachable) {
		return &failure{status: exitUnreachable, err: errors.New("cannot reach the daemon at " + unreachable.Address + ": " + unreached(unreachable.Err)),
			hint: wayTo(unreachable.Err)}
	}
	var p *client.Problem
	if !errors.As(err, &p) {
		return nil
	}
	f := &failure{status: exitUnexpected, err: err}
	switch p.Status {
	case http.StatusConflict, http.StatusNotFound, http.StatusUnauthorized, http.StatusForbidden, http.StatusMisdirectedRequest, http.StatusTooManyRequests:
		f.status = exitRefused
	case http.StatusBadRequest, http.StatusUnprocessableEntity, http.StatusRequestEntityTooLarge:
		f.status = exitUsage
	case http.StatusServiceUnavailable:
		f.status = exitUnreachable
	}
	// The remedy stands on a line of its own.
	if p.Remedy != "" {
		text := p.Detail
		if text == "" {
			text = p.Title
		}
		f.err, f.hint = errors.New(withoutTail(text, p.Remedy)), p.Remedy
	}
	return f
}

// wayTo says what to do where no daemon was reached.
func wayTo(err error) string {
	var untrusted *tls.CertificateVerificationError
	switch {
	case errors.As(err, &untrusted):
		return "call it by a name in its certificate; name a certificate of your own with --authority-file or " + authorityVariable
	case errors.Is(err, http.ErrSchemeMismatch):
		return "it does not encrypt: begin its address with http://, or set server.tls_cert_file in its configuration"
	}
	return "start it with: beltwarden serve --config FILE (a service: systemctl start beltwarden)\n" +
		"if it runs elsewhere, say where: --daemon ADDRESS, or " + daemonVariable + "\n" +
		"see why a service ended: systemctl status beltwarden\n" +
		"while no daemon runs nobody watches the machine: look at it if it may be hot"
}

// withoutTail takes a remedy off the end of a text that repeats it.
func withoutTail(text, tail string) string {
	for _, joint := range []string{"; ", ": ", " "} {
		if n := len(text) - len(joint+tail); n > 0 && text[n:] == joint+tail {
			return text[:n]
		}
	}
	return text
}
