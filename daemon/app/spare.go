package app

import (
	"bufio"
	"context"
	"io"
	"os"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// spareEvery is how often memory is given back while the machine is at rest. It takes
// some milliseconds.
const spareEvery = time.Minute

// startSparing gives memory back: what the start, or a page of the board, has left on
// the heap, and the code that ran for it alone. The kernel maps the program in large
// pieces around each function that is called, so that nearly all of it counts as used
// after a while. What is called again is mapped again, from the page cache. While the
// machine acts nothing is touched: lines must not wait for a card.
func (a *App) startSparing() {
	a.beside("sparing", func(ctx context.Context) {
		repeatedly(ctx, spareEvery, func() {
			if !a.run.Snapshot().State.Acting() {
				debug.FreeOSMemory()
				spareCode()
			}
		})
	})
}

// spareCode tells the kernel that this program's code is not needed just now. That it
// cannot is of no interest: the program works the same.
func spareCode() {
	own, err := os.Readlink("/proc/self/exe")
	if err != nil {
		return
	}
	maps, err := os.Open("/proc/self/maps")
	if err != nil {
		return
	}
	defer func() { _ = maps.Close() }()
	for _, code := range codeOf(maps, own) {
		// Code is never written to, so that dropping its pages loses nothing. Read-only
		// data is left alone: a loader may have put addresses into it.
		_, _, _ = unix.Syscall(unix.SYS_MADVISE, code[0], code[1]-code[0], unix.MADV_DONTNEED)
	}
}

// codeOf finds where the code of a program lies in the memory of its process, from and
// up to, in the kernel's list (proc(5)): "00400000-00e17000 r-xp 00000000 fe:00 12 /program".
func codeOf(maps io.Reader, program string) (found [][2]uintptr) {
	lines := bufio.NewScanner(maps)
	for lines.Scan() {
		place, rest, _ := strings.Cut(lines.Text(), " ")
		file := strings.Fields(rest)
		if len(file) < 5 || file[0] != "r-xp" || strings.Join(file[4:], " ") != program {
			continue
		}
		low, high, _ := strings.Cut(place, "-")
		from, err1 := strconv.ParseUint(low, 16, strconv.IntSize)
		to, err2 := strconv.ParseUint(high, 16, strconv.IntSize)
		if err1 == nil && err2 == nil && from < to {
			found = append(found, [2]uintptr{uintptr(from), uintptr(to)})
		}
	}
	return found
}
