package baddisk

import (
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
)

// guard decides, call by call, what fails. It is used by the goroutine of serve alone.
type guard struct {
	fault  Fault
	memory *os.File // of this process: arguments are read from it
	report Report
	synced map[string][]byte // what each file held when it was last synced
	full   bool              // the last operation concerned failed for want of room
}

// call is a call in words.
type call struct {
	name string
	act  act
	path string
	fd   int    // of a call on an open file, else -1
	from string // the name before a rename
}

// judge returns the error that a call gets, 0 to let it through.
func (g *guard) judge(n notice) unix.Errno {
	c := g.read(n)
	if c.path != g.fault.In && !strings.HasPrefix(c.path, g.fault.In+"/") {
		return 0
	}
	if g.fault.When != nil && !g.fault.When() {
		g.keep(c)
		return 0
	}
	acts, errno := g.fault.Kind.concerns()
	if c.act&acts == 0 || g.fault.Kind == NoSpace && c.name == "open" && exists(c.path) {
		g.keep(c)
		return 0
	}
	g.report.Met++
	g.full = false
	if g.fault.At == 0 || g.report.Met < g.fault.At || g.report.Met > g.fault.At && !g.fault.Lasting {
		g.keep(c)
		return 0
	}
	g.report.Struck++
	g.full = g.fault.Kind == NoSpace
	if g.report.Struck == 1 {
		g.report.First = c.name + " " + strings.TrimPrefix(c.path, g.fault.In+"/")
		g.half(n, c)
	}
	if g.fault.Kind == SyncLoss {
		g.lose(c.path)
	}
	return errno
}

// read puts a call into words.
func (g *guard) read(n notice) call {
	onFile := func(name string, a act, fd uint64) call {
		path, err := os.Readlink(fmt.Sprint("/proc/self/fd/", int32(fd)))
		if err != nil {
			path = ""
		}
		return call{name: name, act: a, path: strings.TrimSuffix(path, " (deleted)"), fd: int(int32(fd))}
	}
	byName := func(name string, a act, at uint64) call { return call{name: name, act: a, path: g.text(at), fd: -1} }
	rename := func(from, to uint64) call {
		return call{name: "rename", act: names, path: g.text(to), fd: -1, from: g.text(from)}
	}
	open := func(path, flags uint64) call {
		if flags&unix.O_CREAT != 0 || flags&unix.O_ACCMODE != unix.O_RDONLY {
			return byName("open", makes, path)
		}
		return byName("open", opens, path)
	}
	a := n.args
	switch n.number {
	case unix.SYS_OPEN:
		return open(a[0], a[1])
	case unix.SYS_OPENAT:
		return open(a[1], a[2])
	case unix.SYS_READ, unix.SYS_PREAD64, unix.SYS_GETDENTS64:
		return onFile("read", reads, a[0])
	case unix.SYS_WRITE, unix.SYS_PWRITE64:
		return onFile("write", writes, a[0])
	case unix.SYS_FALLOCATE:
		return onFile("allocate", writes, a[0])
	case unix.SYS_SENDFILE:
		return onFile("copy", writes|reads, a[0])
	case unix.SYS_COPY_FILE_RANGE, unix.SYS_SPLICE:
		return onFile("copy", writes|reads, a[2])
	case unix.SYS_FSYNC:
		return onFile("fsync", syncs, a[0])
	case unix.SYS_FDATASYNC:
		return onFile("fdatasync", syncs, a[0])
	case unix.SYS_FTRUNCATE:
		return onFile("ftruncate", cuts, a[0])
	case unix.SYS_RENAME:
		return rename(a[0], a[1])
	case unix.SYS_RENAMEAT, unix.SYS_RENAMEAT2:
		return rename(a[1], a[3])
	case unix.SYS_LINK: // needs room for its name, which a rename nearly always has
		return byName("link", makes|names, a[1])
	case unix.SYS_LINKAT:
		return byName("link", makes|names, a[3])
	case unix.SYS_UNLINK:
		return byName("unlink", names, a[0])
	case unix.SYS_UNLINKAT:
		return byName("unlink", names, a[1])
	case unix.SYS_MKDIR:
		return byName("mkdir", makes|names, a[0])
	}
	return byName("mkdir", makes|names, a[1])
}

// text reads a string that ends with a zero from the memory of this process, which waits meanwhile.
func (g *guard) text(at uint64) string {
	var all []byte
	for len(all) < unix.PathMax {
		piece := make([]byte, 256-at%256) // never beyond a page, which may be the last
		if _, err := g.memory.ReadAt(piece, int64(at)); err != nil {
			return ""
		}
		if end := bytes.IndexByte(piece, 0); end >= 0 {
			return string(append(all, piece[:end]...))
		}
		all, at = append(all, piece...), at+uint64(len(piece))
	}
	return ""
}

// half writes the first half of a write that is to fail.
func (g *guard) half(n notice, c call) {
	if g.fault.Kind != NoSpace && g.fault.Kind != WriteError {
		return
	}
	if n.number != unix.SYS_WRITE && n.number != unix.SYS_PWRITE64 {
		return
	}
	piece := make([]byte, n.args[2]/2)
	if _, err := g.memory.ReadAt(piece, int64(n.args[1])); err != nil {
		return
	}
	// What cannot be written here fails as the whole does.
	if n.number == unix.SYS_WRITE {
		_, _ = unix.Write(c.fd, piece)
	} else {
		_, _ = unix.Pwrite(c.fd, piece, int64(n.args[3]))
	}
}

// remember takes what is there at the beginning as synced.
func (g *guard) remember() {
	if g.fault.Kind != SyncLoss {
		return
	}
	_ = filepath.WalkDir(g.fault.In, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			g.keep(call{act: syncs, path: path})
		}
		return nil
	})
}

// keep notes what a file holds when it is synced, and what becomes of its name. Who calls waits for the answer meanwhile.
func (g *guard) keep(c call) {
	if g.fault.Kind != SyncLoss {
		return
	}
	switch {
	case c.act == syncs:
		if data, err := os.ReadFile(c.path); err == nil {
			g.synced[c.path] = data
		}
	case c.name == "rename":
		g.synced[c.path] = g.synced[c.from]
		delete(g.synced, c.from)
	case c.name == "unlink":
		delete(g.synced, c.path)
	}
}

// lose takes a file back to what it was when it was last synced; a directory stays as it is.
func (g *guard) lose(path string) {
	if info, err := os.Stat(path); err == nil && info.Mode().IsRegular() {
		_ = os.Truncate(path, 0)
		if f, err := os.OpenFile(path, os.O_WRONLY, 0); err == nil {
			_, _ = f.WriteAt(g.synced[path], 0)
			_ = f.Close()
		}
	}
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// noneFree answers statfs as a full disk does, while it is one, and reports whether it did.
func (g *guard) noneFree(n notice) bool {
	if !g.full || !strings.HasPrefix(g.text(n.args[0])+"/", g.fault.In+"/") {
		return false
	}
	var s unix.Statfs_t
	if unix.Statfs(g.fault.In, &s) != nil {
		return false
	}
	s.Bavail, s.Bfree = 0, 0
	raw := unsafe.Slice((*byte)(unsafe.Pointer(&s)), unsafe.Sizeof(s))
	_, err := unix.Pwrite(int(g.memory.Fd()), raw, int64(n.args[1]))
	return err == nil
}
