package job

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"syscall"
)

// headBytes is how much of a file shows its kind: one record of a tar archive.
const headBytes = 512

// identity distinguishes a file from another in its place, and from itself once written to.
// The time of the last change is the kernel's: unlike that of the last modification,
// nobody can put it back.
type identity struct {
	device, inode, size int64
	modified, changed   int64 // ns
}

func identityOf(info os.FileInfo) identity {
	id := identity{size: info.Size(), modified: info.ModTime().UnixNano()}
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		id.device, id.inode, id.changed = int64(st.Dev), int64(st.Ino), st.Ctim.Nano()
	}
	return id
}

// openJob opens the file and refuses what cannot be a job. Messages name it by the path.
func openJob(path, file string) (*os.File, os.FileInfo, error) {
	refuse := func(code, text, remedy string) (*os.File, os.FileInfo, error) {
		return nil, nil, &Refusal{Path: path, Problems: []Finding{{0, Error, code, text, remedy}}}
	}
	info, err := os.Stat(file) // before opening: a pipe would block
	if err != nil {
		return nil, nil, fmt.Errorf("cannot inspect job: %w", err)
	}
	switch {
	case info.IsDir():
		return refuse("directory", "is a directory", "name one G-code file")
	case !info.Mode().IsRegular():
		return refuse("not-a-file", "is no regular file but a pipe, socket or device", "save the job as a file first; every part reads it again")
	}
	f, err := os.OpenFile(file, os.O_RDONLY|syscall.O_NONBLOCK, 0) // a pipe put in its place would wait for a writer
	if err != nil {
		return nil, nil, fmt.Errorf("cannot inspect job: %w", err)
	}
	if info, err = f.Stat(); err != nil {
		f.Close()
		return nil, nil, fmt.Errorf("cannot inspect job: %w", err)
	}
	head := make([]byte, headBytes)
	n, err := io.ReadFull(f, head)
	if err != nil && err != io.ErrUnexpectedEOF && err != io.EOF {
		f.Close()
		return nil, nil, fmt.Errorf("cannot inspect job %s: %w", path, err)
	}
	switch {
	case n == 0:
		f.Close()
		return refuse("empty", "is empty", "slice the part again")
	case info.Size() == 0: // as files are that the kernel makes up while they are read
		f.Close()
		return refuse("not-a-file", "has no size, and yet there is something in it: is it a device or a pseudo file?", "save the job as a file first; every part reads it again")
	}
	if what, remedy := foreign(head[:n]); what != "" {
		f.Close()
		return refuse("not-text", what, remedy)
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		f.Close()
		return nil, nil, fmt.Errorf("cannot inspect job %s: %w", path, err)
	}
	return f, info, nil
}

// packed are archives and compressed files by their first bytes, as their public formats
// define them (from memory).
var packed = []struct{ magic, name string }{
	{"\x1f\x8b", "gzip"}, {"PK\x03\x04", "zip"}, {"PK\x05\x06", "zip"}, {"\x28\xb5\x2f\xfd", "zstd"}, {"\xfd7zXZ\x00", "xz"},
	{"BZh", "bzip2"}, {"7z\xbc\xaf\x27\x1c", "7z"}, {"\x04\x22\x4d\x18", "lz4"}, {"\x5d\x00\x00", "lzma"}, {"\x1f\x9d", "compress"},
	{"LZIP", "lzip"}, {"Rar!\x1a\x07", "rar"},
}

// foreign recognises files of other kinds by their first bytes.
func foreign(head []byte) (what, remedy string) {
	for _, k := range packed {
		if bytes.HasPrefix(head, []byte(k.magic)) {
			return "is compressed (" + k.name + ")", "unpack it and name the G-code file inside"
		}
	}
	const tarAt = 257 // of the word that POSIX.1 puts into the first record
	if len(head) > tarAt && bytes.HasPrefix(head[tarAt:], []byte("ustar")) {
		return "is an archive (tar)", "unpack it and name the G-code file inside"
	}
	if wide := wideText(head); wide != "" {
		return "is text in " + wide, "save it as plain ASCII or UTF-8"
	}
	if len(bytes.Trim(head, "\x00")) == 0 {
		return "begins with NUL bytes only, as a file does whose writing was cut off", "copy it again, or slice the part again"
	}
	for _, k := range []string{"\x7fELF", "\x89PNG", "%PDF", "\xff\xd8\xff", "GIF8"} {
		if bytes.HasPrefix(head, []byte(k)) {
			return "is no G-code file but a program, picture or document", "name the file that the slicer wrote"
		}
	}
	if bytes.HasPrefix(head, []byte("solid ")) {
		return "is a model, not a sliced job", "slice it first"
	}
	return "", ""
}

// wideText names the encoding of text whose characters take two or four bytes: by its
// byte order mark, or by where NUL bytes stand among the characters of G-code, which are
// all below 128.
func wideText(head []byte) string {
	for _, k := range []struct{ mark, name string }{
		{"\xff\xfe\x00\x00", "UTF-32"}, {"\x00\x00\xfe\xff", "UTF-32"}, {"\xff\xfe", "UTF-16"}, {"\xfe\xff", "UTF-16"},
	} {
		if bytes.HasPrefix(head, []byte(k.mark)) {
			return k.name
		}
	}
	const enough = 4 // characters
	var at [4]int    // NUL bytes by place in a group of four
	whole := len(head) / 4
	for k, c := range head[:4*whole] {
		if c == 0 {
			at[k%4]++
		}
	}
	most := func(k int) bool { return at[k]*10 >= whole*9 } // a comment may hold other letters
	few := func(k int) bool { return at[k]*10 <= whole }
	switch {
	case whole >= enough && (most(1) && most(2) && most(3) && few(0) || most(0) && most(1) && most(2) && few(3)):
		return "UTF-32"
	case whole >= enough/2 && (most(1) && most(3) && few(0) && few(2) || most(0) && most(2) && few(1) && few(3)):
		return "UTF-16"
	}
	return ""
}
