package app

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"slices"

	"beltwarden/daemon/access"
)

// maxSecretBytes bounds a file that holds a secret.
const maxSecretBytes = 4096

// minSecretBits is the least strength of a secret. By secretBits, a low estimate, sixteen random
// digits have 46 bits, and a secret of `config secret` about 100.
const minSecretBits = 40

// secretBits is a low estimate of how hard a text is to guess, in bits: the number of different
// pairs of neighbouring characters, times the entropy of the characters or of the steps between
// them, whichever is less (Shannon 1948, section 6). A repeated letter or word, and letters or
// digits in their order, have next to none. It knows no dictionary.
func secretBits[T string | []byte](text T) float64 {
	var chars, steps, pairs []int
	for i := range len(text) {
		chars = append(chars, int(text[i]))
		if i > 0 {
			steps = append(steps, int(text[i])-int(text[i-1]))
			pairs = append(pairs, int(text[i-1])<<8|int(text[i]))
		}
	}
	slices.Sort(pairs)
	return float64(len(slices.Compact(pairs))) * min(entropy(chars), entropy(steps))
}

// entropy is the entropy of values, bits each.
func entropy(values []int) (sum float64) {
	counts := map[int]float64{}
	for _, v := range values {
		counts[v]++
	}
	for _, n := range counts {
		p := n / float64(len(values))
		sum -= p * math.Log2(p)
	}
	return sum
}

// weakness says why a secret is too easy to guess; "" is that it is not.
func weakness[T string | []byte](secret T) string {
	if n := secretBits(secret); n < minSecretBits {
		return fmt.Sprintf("it is too easy to guess: short, repeated or in a row, it has about %.0f bits, and %d are required; make one with: beltwarden config secret FILE", n, minSecretBits)
	}
	return ""
}

// readAccessSecret reads the secret that other computers must give; an empty path is
// none. It may come by a pipe.
func readAccessSecret(file string) (secret access.Secret, err error) {
	if file == "" {
		return access.Secret{}, nil
	}
	err = readSecretFile(file, fs.ModeType, func(text []byte) (why string) {
		text = bytes.TrimSpace(text)
		if bytes.ContainsFunc(text, func(r rune) bool { return r <= ' ' || r > '~' }) {
			return "it contains white space or characters not allowed in a header; use letters and digits"
		}
		secret = access.SecretOf(text)
		return weakness(text)
	})
	if err != nil {
		return access.Secret{}, err
	}
	return secret, nil
}

// readSecretText reads one line that is kept out of the configuration: a password, a
// key or an address that holds one.
func readSecretText(file string) (line string, err error) {
	err = readSecretLine(file, func(text []byte) { line = string(text) })
	return line, err
}

// readSecretLine hands one line of a secret file to keep, and wipes it out afterwards.
func readSecretLine(file string, keep func(text []byte)) error {
	return readSecretFile(file, 0, func(text []byte) (why string) {
		text = bytes.TrimRight(text, "\r\n")
		switch {
		case len(text) == 0:
			return "the file is empty"
		case bytes.ContainsAny(text, "\r\n\x00"):
			return "it has more than one line"
		}
		keep(text)
		return ""
	})
}

// readSecretFile reads a secret from a short file that not every user of this computer may
// read. Kinds are the types that it may have other than a plain file; take gets what is
// in it, which is wiped out afterwards, and returns why it is no secret. Errors show nothing
// of it.
func readSecretFile(file string, kinds fs.FileMode, take func(text []byte) (why string)) error {
	path, err := SecretPath(file)
	if err != nil {
		return err
	}
	fail := func(err error) error { return fmt.Errorf("cannot read the secret: %w", err) }
	unfit := func(why string) error { return fmt.Errorf("cannot use the secret in %s: %s", path, why) }
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
		return unfit("it is not a file")
	case info.Mode().Perm()&0o007 != 0:
		return unfit("every user of this computer can read it; remove that right: chmod o= " + path)
	}
	data := make([]byte, maxSecretBytes+1)
	defer clear(data)
	n, err := io.ReadFull(f, data)
	switch {
	case err == nil:
		return unfit(fmt.Sprintf("the file is longer than %d bytes", maxSecretBytes))
	case !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF):
		return fail(err)
	}
	if why := take(data[:n]); why != "" {
		return unfit(why)
	}
	return nil
}
