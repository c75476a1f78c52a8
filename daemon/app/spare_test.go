package app

import (
	"os"
	"reflect"
	"strings"
	"testing"
)

func TestCodeOf(t *testing.T) {
	const list = `00400000-00e17000 r-xp 00000000 fe:00 12                         /opt/our program
00e17000-01826000 r--p 00a17000 fe:00 12                         /opt/our program
01826000-018f0000 rw-p 01426000 fe:00 12                         /opt/our program
7fe5c1a0d000-7fe5c1a15000 rw-s 00000000 fe:00 13                 /var/lib/ledger.db-shm
7fe5c1c00000-7fe5c1c20000 r-xp 00000000 fe:00 14                 /lib/other.so
7ffda23d4000-7ffda23d6000 r-xp 00000000 00:00 0                  [vdso]
`
	if got, want := codeOf(strings.NewReader(list), "/opt/our program"), [][2]uintptr{{0x400000, 0xe17000}}; !reflect.DeepEqual(got, want) {
		t.Errorf("code at %x, want %x: data must never be dropped", got, want)
	}
	if got := codeOf(strings.NewReader("nonsense\n\n0-0 r-xp 0 0 0 /p\nzz-ff r-xp 0 0 0 /p\n"), "/p"); got != nil {
		t.Errorf("found %x in nonsense", got)
	}
}

// After its code was dropped a program goes on as before, in the same function too.
func TestSparingLosesNothing(t *testing.T) {
	maps, err := os.Open("/proc/self/maps")
	if err != nil {
		t.Skip("no /proc here")
	}
	defer func() { _ = maps.Close() }()
	own, err := os.Readlink("/proc/self/exe")
	if err != nil {
		t.Fatal(err)
	}
	if len(codeOf(maps, own)) == 0 {
		t.Fatal("the code of this program was not found, so that nothing would be spared")
	}
	for range 100 {
		spareCode()
		if got := strings.Repeat("ab", 3); got != "ababab" {
			t.Fatal(got)
		}
	}
}
