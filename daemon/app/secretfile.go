package app

import (
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"slices"
	"strings"
)

// mostSecret bounds a file that holds a secret.
const mostSecret = 4096

// leastBits is what a secret must be hard to guess by. Sixteen random digits have 46 by this
// count, which is a low one, and what config secret makes has about 100.
const leastBits = 40

// bits estimates from below how hard a text is to guess: the pairs of characters that are
// not there a second time, each worth as many bits as the characters or the steps between
// them vary by, whichever do so less (Shannon 1948, section 6). A letter that is repeated, a
// word that is, and letters or digits in their order have next to none. It knows no words.
func bits(text string) float64 {
	var chars, steps, pairs []int
	for i := range len(text) {
		chars = append(chars, int(text[i]))
		if i > 0 {
			steps = append(steps, int(text[i])-int(text[i-1]))
			pairs = append(pairs, int(text[i-1])<<8|int(text[i]))
		}
	}
	slices.Sort(pairs)
	return float64(len(slices.Compact(pairs))) * min(variety(chars), variety(steps))
}

// variety is the entropy of values, bits each.
func variety(values []int) (sum float64) {
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

// weak says why a secret is too easy to guess; "" is that it is not.
func weak(secret string) string {
	if n := bits(secret); n < leastBits {
		return fmt.Sprintf("it is too easy to guess: short, repeated or in a row, it is worth about %.0f bits, and %d are asked for; make one with: beltwarden config secret FILE", n, leastBits)
	}
	return ""
}

// readSecret reads the secret that other computers must give; an empty path is
// none. It may come by a pipe.
func readSecret(file string) (string, error) {
	if file == "" {
		return "", nil
	}
	return secretFile(file, fs.ModeType, func(text string) (secret, why string) {
		secret = strings.TrimSpace(text)
		if strings.ContainsFunc(secret, func(r rune) bool { return r <= ' ' || r > '~' }) {
			return "", "it holds white space or characters that do not travel in a header; use letters and digits"
		}
		return secret, weak(secret)
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
