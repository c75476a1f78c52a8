package shelf

import (
	"encoding/json"
	"io/fs"
	"os"
	"time"
)

// sumsFile keeps the checksums of stored files, and for how long they were not used. If it is lost,
// files have no checksum until they are sent again, and are never removed.
const sumsFile = ".sums.json"

// maxSums bounds the file that is read; some hundred bytes belong to each job.
const maxSums = 16 << 20

// sum is the checksum of a file as it was when it was stored.
type sum struct {
	Bytes  int64     `json:"bytes"`
	Stored time.Time `json:"stored"`
	SHA256 string    `json:"sha256"`
	// Idle is the number of days at work, since Lot, on which no lot was made from it.
	Idle int   `json:"idle_days,omitempty"`
	Lot  int64 `json:"lot,omitempty"`
}

// sums are kept by the name of the file.
type sums map[string]sum

// of returns the checksum of a file, or nothing when it was altered since.
func (s sums) of(name string, info fs.FileInfo) string {
	if k := s[name]; k.Bytes == info.Size() && k.Stored.Equal(info.ModTime()) {
		return k.SHA256
	}
	return ""
}

func readSums(root *os.Root) sums {
	s := sums{}
	info, err := root.Lstat(sumsFile)
	if err != nil || !info.Mode().IsRegular() || info.Size() > maxSums {
		return s
	}
	data, err := root.ReadFile(sumsFile)
	if err != nil || json.Unmarshal(data, &s) != nil || s == nil {
		return sums{}
	}
	return s
}

// write puts the checksums of files that are still there into the folder.
func (s sums) write(root *os.Root) error {
	for name := range s {
		if _, err := root.Lstat(name); err != nil {
			delete(s, name)
		}
	}
	data, err := json.Marshal(s)
	if err != nil {
		return err
	}
	const before = tempPrefix + "sums"
	if err := root.WriteFile(before, data, 0o640); err != nil {
		_ = root.Remove(before)
		return err
	}
	return root.Rename(before, sumsFile)
}
