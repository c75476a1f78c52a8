package app

import (
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
)

// mostSecret bounds a file that holds a secret.
const mostSecret = 4096

// leastSecret is the shortest secret: sixteen characters are out of reach of
// guessing over a network, if they are random.
const leastSecret = 16

// readSecret reads the secret that other computers must give; an empty path is
// none. It may come by a pipe.
func readSecret(file string) (string, error) {
	if file == "" {
		return "", nil
	}
	return secretFile(file, fs.ModeType, func(text string) (secret, why string) {
		secret = strings.TrimSpace(text)
		switch {
		case len(secret) < leastSecret:
			why = fmt.Sprintf("it is shorter than %d characters", leastSecret)
		case strings.ContainsFunc(secret, func(r rune) bool { return r <= ' ' || r > '~' }):
			why = "it holds white space or characters that do not travel in a header; use letters and digits"
		}
		return secret, why
	})
}

// readHidden reads one line that is kept out of the configuration: a password, a
// key or an address that holds one.
func readHidden(file string) (string, error) {
	return secretFile(file, 0, func(text string) (line, why string) {
		line = strings.TrimRight(text, "\r\n")
		switch {
		case line == "":
			why = "the file is empty"
		case strings.ContainsAny(line, "\r\n\x00"):
			why = "it has more than one line"
		}
		return line, why
	})
}

// secretFile reads a secret from a short file that not every user of this computer may
// read. Kinds are the types that it may have other than a plain file; take gets what is
// in it, and returns the secret or why it is none. Errors show nothing of it.
func secretFile(file string, kinds fs.FileMode, take func(text string) (secret, why string)) (string, error) {
	path, err := SecretPath(file)
	if err != nil {
		return "", err
	}
	fail := func(err error) (string, error) { return "", fmt.Errorf("cannot read the secret: %w", err) }
	unfit := func(why string) (string, error) { return "", fmt.Errorf("cannot use the secret in %s: %s", path, why) }
	f, err := os.Open(path)
	if err != nil {
		return fail(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return fail(err)
	}
	switch {
	case info.Mode().Type()&^kinds != 0:
		return unfit("it is no file")
	case info.Mode().Perm()&0o007 != 0:
		return unfit("every user of this computer can read it; take that right away: chmod o= " + path)
	}
	data, err := io.ReadAll(io.LimitReader(f, mostSecret+1))
	if err != nil {
		return fail(err)
	}
	if len(data) > mostSecret {
		return unfit(fmt.Sprintf("the file is longer than %d bytes", mostSecret))
	}
	secret, why := take(string(data))
	if why != "" {
		return unfit(why)
	}
	return secret, nil
}
