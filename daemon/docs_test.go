package main

import (
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode"
)

// documents are the pages that people read, by their paths from the root of the repository.
func documents(t *testing.T) []string {
	t.Helper()
	list := []string{"README.md", "DEVELOPERS.md", "deploy/README.md"}
	for _, pattern := range []string{"docs/*.md", "docs/*/*.md"} {
		found, err := filepath.Glob(filepath.Join("..", pattern))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range found {
			list = append(list, strings.TrimPrefix(filepath.ToSlash(f), "../"))
		}
	}
	if len(list) < 10 {
		t.Fatalf("only %d documents: %q", len(list), list)
	}
	return list
}

// What everybody has to read fits into a quarter of an hour; the rest has a page under docs.
func TestFirstPagesAreShort(t *testing.T) {
	for _, path := range []string{"README.md", "DEVELOPERS.md"} {
		info, err := os.Stat(filepath.Join("..", path))
		if err != nil {
			t.Fatal(err)
		}
		if info.Size() > 12_000 {
			t.Errorf("%s has %d bytes, 12000 are the most: move what few readers need to a page under docs", path, info.Size())
		}
	}
}

// page is a document without its blocks of code, and the anchors of its headings.
type page struct {
	text    string
	anchors []string
}

var (
	link    = regexp.MustCompile(`\]\(([^()\s]+)\)`)
	heading = regexp.MustCompile(`^#{1,6} +(.+?) *#* *$`)
	fence   = regexp.MustCompile("^ *(```|~~~)")
	code    = regexp.MustCompile("`[^`\n]*`")
)

// readPage reads a document. Anchors are made as code hosts commonly make them: lower case,
// blanks to hyphens, other punctuation left out, and a number for a heading that is there twice.
func readPage(text string) page {
	var p page
	var b strings.Builder
	inside := false
	seen := map[string]int{}
	for line := range strings.Lines(text) {
		if fence.MatchString(line) {
			inside = !inside
			continue
		}
		if inside {
			continue
		}
		if m := heading.FindStringSubmatch(strings.TrimRight(line, "\n")); m != nil {
			a := anchor(m[1])
			if n := seen[a]; n > 0 {
				p.anchors = append(p.anchors, fmt.Sprintf("%s-%d", a, n))
			} else {
				p.anchors = append(p.anchors, a)
			}
			seen[a]++
		}
		b.WriteString(line)
	}
	p.text = code.ReplaceAllString(b.String(), "")
	return p
}

func anchor(heading string) string {
	heading = link.ReplaceAllString(heading, "")
	return strings.Map(func(r rune) rune {
		switch {
		case r == ' ':
			return '-'
		case r == '-' || r == '_' || unicode.IsLetter(r) || unicode.IsDigit(r):
			return unicode.ToLower(r)
		}
		return -1
	}, heading)
}

// brokenLinks says which links of a document lead to no file or to no heading of one.
// read returns a file of the repository.
func brokenLinks(path, text string, read func(string) ([]byte, error)) (broken []string) {
	for _, m := range link.FindAllStringSubmatch(readPage(text).text, -1) {
		to, err := url.Parse(m[1])
		if err != nil {
			broken = append(broken, m[1]+": "+err.Error())
			continue
		}
		if to.Scheme != "" {
			continue
		}
		target, body := path, text
		if to.Path != "" {
			target = filepath.ToSlash(filepath.Join(filepath.Dir(path), to.Path))
			data, err := read(target)
			if err != nil {
				broken = append(broken, fmt.Sprintf("%s: there is no %s", m[1], target))
				continue
			}
			body = string(data)
		}
		if to.Fragment != "" && !slices.Contains(readPage(body).anchors, to.Fragment) {
			broken = append(broken, fmt.Sprintf("%s: %s has no such heading", m[1], target))
		}
	}
	return broken
}

func TestLinksOfDocumentsResolve(t *testing.T) {
	links := 0
	for _, path := range documents(t) {
		text, err := os.ReadFile(filepath.Join("..", path))
		if err != nil {
			t.Fatal(err)
		}
		links += len(link.FindAllString(readPage(string(text)).text, -1))
		for _, b := range brokenLinks(path, string(text), func(p string) ([]byte, error) { return os.ReadFile(filepath.Join("..", p)) }) {
			t.Errorf("%s links to %s", path, b)
		}
	}
	if links < 20 {
		t.Errorf("only %d links were found", links)
	}
}

// The check itself finds what is broken, and only that.
func TestBrokenLinksAreFound(t *testing.T) {
	files := map[string]string{"docs/other.md": "# Other page\n## A `key`, and more\n## Twice\n## Twice\n```\n# no heading\n```\n"}
	read := func(p string) ([]byte, error) {
		if f, ok := files[p]; ok {
			return []byte(f), nil
		}
		return nil, os.ErrNotExist
	}
	text := "# Here\n[a](other.md) [b](other.md#a-key-and-more) [c](#here) [d](https://example.org/x) [e](other.md#twice-1) `[f](none.md)`\n"
	if got := brokenLinks("docs/here.md", text, read); len(got) != 0 {
		t.Errorf("links that resolve are called broken: %q", got)
	}
	for _, wrong := range []string{"[a](absent.md)", "[a](other.md#no-heading)", "[a](#other-page)", "[a](other.md#twice-2)", "[a](docs/other.md)"} {
		if got := brokenLinks("docs/here.md", "# Here\n"+wrong+"\n", read); len(got) != 1 {
			t.Errorf("%s: %q", wrong, got)
		}
	}
}
