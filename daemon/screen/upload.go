package screen

import (
	"context"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
)

// JobFile is one uploaded job.
type JobFile struct {
	Name, Path string
	Bytes      int64
	Stored     time.Time
}

// Jobs keeps uploaded job files. Errors are fit for the operator to read.
type Jobs interface {
	Put(ctx context.Context, name string, r io.Reader) (JobFile, error)
	List() ([]JobFile, error)
	Path(name string) (string, error)
	LimitBytes() int64
	Hold() (release func()) // no job goes while a lot is opened
}

// mostParts bounds the parts of one form, most of which are files.
const mostParts = 20

// upload stores a job file and shows what it will do.
func (sc *screen) upload(w http.ResponseWriter, r *http.Request) {
	const room = 1 << 20 // for the rest of the form
	r.Body = http.MaxBytesReader(w, sc.Slowly(w, r), sc.Jobs.LimitBytes()+room)
	chosen, err := sc.take(r)
	if err != nil {
		f := &form{values: url.Values{}}
		f.wrong("job", sentence(err.Error())+".")
		sc.showOrder(w, r, http.StatusUnprocessableEntity, chosen, f)
		return
	}
	http.Redirect(w, r, "/lots/new?"+url.Values{"job": chosen}.Encode(), http.StatusSeeOther)
}

// take reads the parts of an upload one after the other, so that no file is ever held in
// memory. Jobs chosen before come in the address.
func (sc *screen) take(r *http.Request) (chosen []string, err error) {
	chosen = slices.Clone(r.URL.Query()["job"])
	parts, err := r.MultipartReader()
	if err != nil {
		return chosen, errors.New("no file was sent: choose a job file first")
	}
	found := false
	for n := 0; ; n++ {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return chosen, fmt.Errorf("the upload was interrupted: %w", plainUpload(err))
		}
		if n == mostParts {
			return chosen, fmt.Errorf("a form takes at most %d files: send the others separately", mostParts)
		}
		if part.FormName() != "job" || part.FileName() == "" {
			continue
		}
		found = true
		item, err := sc.Jobs.Put(r.Context(), fileName(part), part)
		if err != nil {
			return chosen, plainUpload(err)
		}
		if !slices.Contains(chosen, item.Name) {
			chosen = append(chosen, item.Name)
		}
	}
	if !found {
		return chosen, errors.New("no file was sent: choose a job file first")
	}
	return chosen, nil
}

// fileName is the name as the browser gave it; the shelf makes it safe.
func fileName(p *multipart.Part) string { return p.FileName() }

// plainUpload words an upload that is too long.
func plainUpload(err error) error {
	if long := new(http.MaxBytesError); errors.As(err, &long) {
		return fmt.Errorf("the file is longer than %s", bytesText(long.Limit))
	}
	return err
}

// bytesText is a size for people.
func bytesText(n int64) string {
	switch {
	case n < 1000:
		return fmt.Sprintf("%d B", n)
	case n < 1_000_000:
		return fmt.Sprintf("%.0f kB", float64(n)/1e3)
	case n < 1_000_000_000:
		return strings.TrimSuffix(fmt.Sprintf("%.1f", float64(n)/1e6), ".0") + " MB"
	}
	return strings.TrimSuffix(fmt.Sprintf("%.1f", float64(n)/1e9), ".0") + " GB"
}
