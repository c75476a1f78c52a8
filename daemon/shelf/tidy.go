package shelf

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Use is how lots use a stored file.
type Use struct {
	Lot    int64 // the newest that was made from it, 0 for none
	Needed bool  // a lot that may go on is made from it
}

// Tidy removes files that nobody needs. It is called once for each day that the daemon is at
// work: days are counted by these calls and not by the clock, which may be years off. A
// file is removed when no lot was made from it on so many days running (0: never), or when all
// files together are larger than limitBytes (0: no limit), those first that were not used
// for longest. It returns what it removed.
//
// It never removes a file that was put into the folder by other means or altered, nor one that
// was chosen since the last call: a lot may be about to be made from it.
func (s *Shelf) Tidy(days int, limitBytes int64, use map[string]Use) (gone []Item, err error) {
	list, err := s.List()
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	var idle []Item // those that may go
	total := int64(0)
	for _, i := range list {
		total += i.Bytes
		known, u := s.sums[i.Name], use[i.Path]
		switch {
		case i.SHA256 == "":
			continue
		case u.Needed, u.Lot > known.Lot, s.chosen[i.Name]:
			known.Lot, known.Idle = max(u.Lot, known.Lot), 0
		default:
			known.Idle++
			idle = append(idle, i)
		}
		s.sums[i.Name] = known
	}
	clear(s.chosen)
	slices.SortFunc(idle, func(a, b Item) int {
		if c := s.sums[b.Name].Idle - s.sums[a.Name].Idle; c != 0 {
			return c
		}
		if c := a.Stored.Compare(b.Stored); c != 0 {
			return c
		}
		return strings.Compare(a.Name, b.Name)
	})
	var errs []error
	for _, i := range idle {
		if old := days > 0 && s.sums[i.Name].Idle >= days; !old && (limitBytes <= 0 || total <= limitBytes) {
			continue
		}
		if err := s.root.Remove(i.Name); err != nil {
			errs = append(errs, fmt.Errorf("cannot remove the stored job %s: %w", quoted(i.Name), err))
			continue
		}
		total -= i.Bytes
		delete(s.sums, i.Name)
		gone = append(gone, i)
	}
	if len(list) > 0 {
		errs = append(errs, s.sums.write(s.root))
	}
	if len(gone) > 0 {
		errs = append(errs, s.sync())
	}
	return gone, errors.Join(errs...)
}
