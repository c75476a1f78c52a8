package baddisk

import (
	"errors"
	"fmt"
	"os"
	"runtime"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Under runs do in a goroutine of its own, bound to a thread whose calls on files the fault concerns, and returns when do
// has returned. What do leaves to other goroutines is not concerned. The thread ends with do.
func Under(f Fault, do func()) (Report, error) {
	b, err := Begin(f)
	if err != nil {
		return Report{}, err
	}
	ended := make(chan error)
	go func() {
		err := b.Here()
		if err == nil {
			do()
		}
		ended <- err
	}()
	err = <-ended
	r, eerr := b.End()
	return r, errors.Join(err, eerr)
}

// Bad is a disk on which a fault lies.
type Bad struct {
	guard     *guard
	listening chan int // descriptors that Here has opened
	quit      [2]int
	served    chan error
}

// Begin lays a fault on a disk. Nothing is concerned by it before Here.
func Begin(f Fault) (*Bad, error) {
	b := &Bad{guard: &guard{fault: f, synced: map[string][]byte{}}, listening: make(chan int, 1), served: make(chan error, 1)}
	var err error
	if b.guard.memory, err = os.OpenFile("/proc/self/mem", os.O_RDWR, 0); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrNoMeans, err)
	}
	if err := unix.Pipe2(b.quit[:], unix.O_CLOEXEC); err != nil {
		return nil, errors.Join(err, b.guard.memory.Close())
	}
	b.guard.remember()
	go func() {
		fd, any := <-b.listening
		if !any {
			b.served <- nil
			return
		}
		err := b.guard.serve(fd, b.quit[0])
		b.served <- errors.Join(err, unix.Close(fd))
	}()
	return b, nil
}

// Here lets the fault concern all that the calling goroutine does from now on. It is called once. The goroutine must end
// before End is called, and its thread ends with it.
func (b *Bad) Here() error {
	runtime.LockOSThread() // never unlocked: the filter cannot be taken off again
	fd, err := listen()
	if err != nil {
		return fmt.Errorf("%w: %w", ErrNoMeans, err)
	}
	b.listening <- fd
	return nil
}

// End returns what was met.
func (b *Bad) End() (Report, error) {
	close(b.listening)
	err := unix.Close(b.quit[1])
	err = errors.Join(err, <-b.served, unix.Close(b.quit[0]), b.guard.memory.Close())
	return b.guard.report, err
}

// watched are the calls that come to the guard: what SQLite and the os package use on files.
var watched = []uint32{unix.SYS_OPEN, unix.SYS_OPENAT, unix.SYS_READ, unix.SYS_PREAD64, unix.SYS_WRITE, unix.SYS_PWRITE64,
	unix.SYS_COPY_FILE_RANGE, unix.SYS_SENDFILE, unix.SYS_SPLICE, unix.SYS_FALLOCATE, unix.SYS_FSYNC, unix.SYS_FDATASYNC, unix.SYS_FTRUNCATE,
	unix.SYS_RENAME, unix.SYS_RENAMEAT, unix.SYS_RENAMEAT2, unix.SYS_LINK, unix.SYS_LINKAT, unix.SYS_UNLINK, unix.SYS_UNLINKAT,
	unix.SYS_MKDIR, unix.SYS_MKDIRAT, unix.SYS_GETDENTS64, unix.SYS_STATFS}

// listen puts the filter on this thread and returns the descriptor by which its calls are answered (seccomp(2),
// seccomp_unotify(2)). The runtime's own descriptors stay outside: its calls on them must not wait for a goroutine.
func listen() (int, error) {
	const (
		load = unix.BPF_LD | unix.BPF_W | unix.BPF_ABS
		same = unix.BPF_JMP | unix.BPF_JEQ | unix.BPF_K
		back = unix.BPF_RET | unix.BPF_K

		offsetNumber, offsetFirst = 0, 16 // in struct seccomp_data; a descriptor is in the low half of the first argument
	)
	step := func(code uint16, k uint32) unix.SockFilter { return unix.SockFilter{Code: code, K: k} }
	allow := step(back, unix.SECCOMP_RET_ALLOW)
	program := []unix.SockFilter{step(load, offsetNumber)}
	for _, n := range watched {
		if n != unix.SYS_READ && n != unix.SYS_WRITE {
			program = append(program, unix.SockFilter{Code: same, K: n, Jf: 1}, step(back, unix.SECCOMP_RET_USER_NOTIF))
		}
	}
	program = append(program, unix.SockFilter{Code: same, K: unix.SYS_READ, Jt: 2}, unix.SockFilter{Code: same, K: unix.SYS_WRITE, Jt: 1},
		allow, step(load, offsetFirst))
	for _, fd := range notFiles() {
		program = append(program, unix.SockFilter{Code: same, K: uint32(fd), Jf: 1}, allow)
	}
	program = append(program, step(back, unix.SECCOMP_RET_USER_NOTIF))
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return 0, err
	}
	set := unix.SockFprog{Len: uint16(len(program)), Filter: &program[0]}
	fd, _, no := unix.Syscall(unix.SYS_SECCOMP, unix.SECCOMP_SET_MODE_FILTER, unix.SECCOMP_FILTER_FLAG_NEW_LISTENER, uintptr(unsafe.Pointer(&set)))
	if no != 0 {
		return 0, no
	}
	return int(fd), nil
}

// notFiles lists the open descriptors that belong to no file: standard streams and what the runtime wakes itself by.
func notFiles() (list []int) {
	list = []int{0, 1, 2}
	for fd := 3; fd < 64; fd++ {
		if to, err := os.Readlink(fmt.Sprint("/proc/self/fd/", fd)); err == nil && !strings.HasPrefix(to, "/") {
			list = append(list, fd)
		}
	}
	return list
}

// notice and reply are struct seccomp_notif and seccomp_notif_resp.
type notice struct {
	id         uint64
	pid, flags uint32
	number     int32
	arch       uint32
	at         uint64
	args       [6]uint64
}

type reply struct {
	id    uint64
	value int64
	errno int32
	flags uint32
}

// serve answers calls until the other end of quit is closed.
func (g *guard) serve(listener, quit int) error {
	for {
		ready := []unix.PollFd{{Fd: int32(listener), Events: unix.POLLIN}, {Fd: int32(quit)}}
		if _, err := unix.Poll(ready, -1); err != nil && !errors.Is(err, unix.EINTR) {
			return err
		}
		if ready[0].Revents&unix.POLLIN == 0 {
			if ready[1].Revents != 0 || ready[0].Revents&unix.POLLHUP != 0 {
				return nil
			}
			continue
		}
		var n notice
		if _, _, no := unix.Syscall(unix.SYS_IOCTL, uintptr(listener), unix.SECCOMP_IOCTL_NOTIF_RECV, uintptr(unsafe.Pointer(&n))); no != 0 {
			if no == unix.EINTR || no == unix.ENOENT {
				continue
			}
			return no
		}
		r := reply{id: n.id, flags: unix.SECCOMP_USER_NOTIF_FLAG_CONTINUE}
		if n.number == unix.SYS_STATFS {
			if g.noneFree(n) {
				r.flags = 0
			}
		} else if no := g.judge(n); no != 0 {
			r.errno, r.flags = -int32(no), 0
		}
		if _, _, no := unix.Syscall(unix.SYS_IOCTL, uintptr(listener), unix.SECCOMP_IOCTL_NOTIF_SEND, uintptr(unsafe.Pointer(&r))); no != 0 && no != unix.ENOENT {
			return no
		}
	}
}
