package app

import (
	"bufio"
	"bytes"
	"crypto/rand"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"syscall"
	"testing"
	"unsafe"

	"go.uber.org/zap"

	"beltwarden/config"
)

// inverted is a text that stands in memory with each bit turned over, so that looking for the
// text does not find what it is looked for by.
type inverted []byte

func invert(p []byte) {
	for i := range p {
		p[i] ^= 0xff
	}
}

// planted writes a random secret to a file, between two texts, and leaves nothing of it in
// memory but its inverse.
func planted(t *testing.T, file, before, after string) inverted {
	t.Helper()
	raw, line := make([]byte, 24), make([]byte, 0, 200)
	_, _ = rand.Read(raw) // never fails
	line = append(line, before...)
	from := len(line)
	for _, b := range raw {
		line = append(line, "abcdefghijklmnopqrstuvwxyz234567"[b%32])
	}
	is := append(inverted(nil), make([]byte, len(line)-from)...)
	for i := range is {
		is[i] = line[from+i] ^ 0xff
	}
	line = append(line, after...)
	if err := os.WriteFile(file, line, 0o600); err != nil {
		t.Fatal(err)
	}
	clear(line)
	return is
}

// places counts in how many places of this process's memory each text stands (proc(5)).
func places(t *testing.T, texts map[string]inverted) map[string]int {
	t.Helper()
	maps, err := os.ReadFile("/proc/self/maps")
	if err != nil {
		t.Skip("this system does not show the memory of a process: ", err)
	}
	mem, err := os.Open("/proc/self/mem")
	if err != nil {
		t.Skip(err)
	}
	defer mem.Close()
	const chunk, most = 1 << 20, 64
	found := map[string]int{}
	// Outside of the heap and left out, or what was last looked at would be found in it, turned over.
	window, err := syscall.Mmap(-1, 0, chunk+most, syscall.PROT_READ|syscall.PROT_WRITE, syscall.MAP_SHARED|syscall.MAP_ANON)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = syscall.Munmap(window) }()
	own := int64(uintptr(unsafe.Pointer(&window[0])))
	lines := bufio.NewScanner(bytes.NewReader(maps))
	for lines.Scan() {
		var from, to int64
		var rights string
		if _, err := fmt.Sscanf(lines.Text(), "%x-%x %s", &from, &to, &rights); err != nil || !strings.HasPrefix(rights, "rw") || from == own {
			continue
		}
		for ; from < to; from += chunk {
			n, _ := mem.ReadAt(window[:min(chunk+most, to-from)], from) // what cannot be read is not there
			invert(window[:n])
			for name, text := range texts {
				for rest := window[:n]; ; {
					i := bytes.Index(rest, text)
					if i < 0 || len(window[:n])-len(rest)+i >= chunk { // the next window has it
						break
					}
					found[name]++
					rest = rest[i+1:]
				}
			}
		}
	}
	return found
}

// TestSecretsLieInMemoryOnce: of the secrets that let people in nothing but sums is kept, and
// what the daemon has to send itself stands in one place.
func TestSecretsLieInMemoryOnce(t *testing.T) {
	c, r := settings(t), machine(t)
	dir := t.TempDir()
	file := func(name string) string { return filepath.Join(dir, name) }
	c.Server.SecretFile, c.Server.LookSecretFile = file("operate"), file("look")
	c.Alerts.Webhooks = []config.Webhook{{URLFile: file("address"), SignFile: file("sign"), Receiver: config.Receiver{Name: "hook"}}}
	c.Alerts.Mails = []config.Mail{{Host: "127.0.0.1", Port: 1, TLS: "none", User: "u", PasswordFile: file("password"), From: "a@clips.example", To: []string{"b@clips.example"},
		Receiver: config.Receiver{Name: "mail"}}}
	texts := map[string]inverted{"operate": planted(t, file("operate"), "", "\n"), "look": planted(t, file("look"), "", "\n"), "sign": planted(t, file("sign"), "", "\n"),
		"password": planted(t, file("password"), "", "\n"), "address": planted(t, file("address"), "https://127.0.0.1:1/hook?token=", "\n")}
	if n := places(t, texts); len(n) != 0 {
		t.Fatalf("the test itself has left secrets in memory: %v", n)
	}
	defer debug.SetGCPercent(debug.SetGCPercent(-1)) // or what was dropped might be gone by chance
	a, err := New(t.Context(), Options{Config: c, Opener: r.Open, Log: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	found := places(t, texts)
	for name, most := range map[string]int{"operate": 0, "look": 0, "sign": 1, "password": 1, "address": 1} {
		if found[name] != most {
			t.Errorf("%s stands in %d places, want %d", name, found[name], most)
		}
	}
	if err := stopApp(a); err != nil {
		t.Error(err)
	}
}
