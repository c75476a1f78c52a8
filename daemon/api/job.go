package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"time"

	"beltwarden/daemon/access"
	"beltwarden/daemon/client"
	"beltwarden/daemon/shelf"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// uploadLimit bounds one upload.
const uploadLimit = 4 * time.Hour

// shelf returns the folder of uploaded jobs.
func (b *api) shelf() (*shelf.Shelf, error) {
	if b.Shelf == nil {
		return nil, &badRequest{http.StatusServiceUnavailable, "the folder for jobs cannot be used", "see the log of the daemon, and server.jobs_folder"}
	}
	return b.Shelf, nil
}

// stored returns the path of an uploaded job.
func (b *api) stored(name string) (string, error) {
	s, err := b.shelf()
	if err != nil {
		return "", err
	}
	return s.Path(name)
}

func stored(i shelf.Item) client.Job { return client.Job(i) }

// jobs lists the stored job files, the newest first.
func (b *api) jobs(w http.ResponseWriter, r *http.Request) error {
	s, err := b.shelf()
	if err != nil {
		return err
	}
	list, err := s.List()
	if err != nil {
		return err
	}
	return answer(w, http.StatusOK, mapSlice(list, stored))
}

// job inspects one stored job file.
func (b *api) job(w http.ResponseWriter, r *http.Request) error {
	s, err := b.shelf()
	if err != nil {
		return err
	}
	item, err := s.Get(r.PathValue("name"))
	if err != nil {
		return err
	}
	allowLongReply(w)
	ctx, cancel := context.WithTimeout(r.Context(), inspectLimit)
	defer cancel()
	plan, err := b.inspectFor(ctx, access.RoleOf(r), item.Path)
	d := client.JobDetail{Job: stored(item)}
	var refusal *job.Refusal
	switch {
	case errors.As(err, &refusal):
		d.Refusal, d.Blocked = refusal.Problems, true
	case err != nil:
		return err
	default:
		if d.Plan, err = json.Marshal(plan); err != nil {
			return err
		}
		d.Blocked = plan.Blocked()
	}
	return answer(w, http.StatusOK, d)
}

// inspectFor reads one job file once no other is being read for the same role.
func (b *api) inspectFor(ctx context.Context, role access.Role, path string) (*job.Plan, error) {
	inspector := b.inspector
	if role == access.Look {
		select {
		case b.viewers.waiting <- struct{}{}:
			defer func() { <-b.viewers.waiting }()
		default:
			return nil, &badRequest{http.StatusServiceUnavailable, fmt.Sprintf("%d requests are waiting for a job file to be read", maxViewers), "try again shortly"}
		}
		inspector = b.viewers.inspector
	}
	select {
	case inspector <- struct{}{}:
		defer func() { <-inspector }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	plan, err := b.Inspect(ctx, path, job.Lines{})
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	return plan, err
}

// putJob stores a job file that is the body of the request.
func (b *api) putJob(w http.ResponseWriter, r *http.Request) error {
	s, err := b.shelf()
	if err == nil {
		err = checkUpload(r, s.LimitBytes())
	}
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(r.Context(), uploadLimit)
	defer cancel()
	control := http.NewResponseController(w)
	item, err := s.Put(ctx, r.URL.Query().Get("name"), access.SlowBody(w, r))
	_ = control.SetWriteDeadline(time.Now().Add(readLimit)) // not possible without a connection, as in a test
	if err != nil {
		if errors.Is(err, shelf.ErrBusy) {
			w.Header().Set("Retry-After", "10")
		}
		w.Header().Set("Connection", "close") // or the server would wait for the rest first
		return uploadProblem(err)
	}
	w.Header().Set("Location", "/api/v1/jobs/"+url.PathEscape(item.Name))
	return answer(w, http.StatusCreated, stored(item))
}

// checkUpload refuses an upload that is known to fail, before the file has come.
func checkUpload(r *http.Request, limit int64) error {
	kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if kind == "multipart/form-data" || kind == "application/x-www-form-urlencoded" {
		return &badRequest{http.StatusUnsupportedMediaType, "the request is a form, not the job file itself",
			"send the bytes of the file as the body, with Content-Type: application/octet-stream"}
	}
	if _, err := shelf.Name(r.URL.Query().Get("name")); err != nil {
		return err
	}
	if r.ContentLength > limit {
		return fmt.Errorf("cannot store the job: %w: the limit is %d bytes", shelf.ErrTooLarge, limit)
	}
	return nil
}

// uploadProblem is the answer to an upload that ended early.
func uploadProblem(err error) error {
	switch {
	case errors.Is(err, access.ErrSlow), errors.Is(err, context.DeadlineExceeded):
		return &badRequest{http.StatusRequestTimeout, access.ErrSlow.Error(), "send it again over a better connection"}
	case errors.Is(err, io.ErrUnexpectedEOF):
		return &badRequest{http.StatusBadRequest, "the file ended early; nothing was stored", "send it again"}
	}
	return err
}

// removeJob removes a stored job, unless a lot still needs it.
func (b *api) removeJob(w http.ResponseWriter, r *http.Request) error {
	s, err := b.shelf()
	if err != nil {
		return err
	}
	name := r.PathValue("name")
	ctx, cancel := context.WithTimeout(r.Context(), readLimit)
	defer cancel()
	err = s.Remove(ctx, name, b.checkUnused)
	if errors.Is(err, shelf.ErrHeld) {
		err = &supervisor.Refusal{What: "remove the job", Why: "a lot is being opened", Remedy: "ask again when it is open"}
	}
	if err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// checkUnused returns nil if no unfinished lot is made from a file.
func (b *api) checkUnused(ctx context.Context, path string) error {
	lots, err := b.Ledger.Lots(ctx)
	if err != nil {
		return err
	}
	for _, l := range lots {
		if !ledger.Unfinished(l.Status) {
			continue
		}
		for _, j := range l.Jobs {
			if j.Path == path {
				return &supervisor.Refusal{What: "remove the job", Why: fmt.Sprintf("lot %d, %s, is made from it", l.ID, l.Name), Remedy: "end that lot first"}
			}
		}
	}
	return nil
}
