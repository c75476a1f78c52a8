package client

import (
	"fmt"
	"regexp"
	"strconv"
)

// copyName is how the job of a lot is named where a job file is expected.
var copyName = regexp.MustCompile(`^lot:([1-9][0-9]{0,17})(?::([1-9][0-9]{0,3}))?$`)

// CopyName names the copy of a job that a lot was made from, for another lot to be made of
// it: "lot:7:1" is the first job of lot 7. Index counts from 0.
func CopyName(lot int64, index int) string { return fmt.Sprintf("lot:%d:%d", lot, index+1) }

// ParseCopy reads such a name; "lot:7" is the first job too. Anything else is a file's.
func ParseCopy(name string) (lot int64, index int, ok bool) {
	found := copyName.FindStringSubmatch(name)
	if found == nil {
		return 0, 0, false
	}
	lot, _ = strconv.ParseInt(found[1], 10, 64) // digits that fit
	if found[2] != "" {
		index, _ = strconv.Atoi(found[2])
		index--
	}
	return lot, index, true
}
