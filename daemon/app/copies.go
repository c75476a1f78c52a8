package app

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	"beltwarden/config"
	"beltwarden/daemon/archive"
	"beltwarden/daemon/client"
	"beltwarden/daemon/shelf"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// jobReader reads job files for the machine as it is known at that moment.
type jobReader struct {
	options func(ctx context.Context) (job.Options, error)
	archive *archive.Archive
	lots    func(ctx context.Context) ([]ledger.Lot, error)
}

// newArchive returns where the jobs of lots are kept: beside the ledger that lists them.
func newArchive(c *config.Settings, lots func(ctx context.Context) ([]ledger.Lot, error)) *archive.Archive {
	return archive.New(archive.Options{Folder: filepath.Join(filepath.Dir(c.Ledger.Path), "lot-jobs"), LimitBytes: int64(c.Server.JobsLimitMB) * 1e6,
		Uses: func(ctx context.Context) (map[string]archive.Use, error) {
			all, err := lots(ctx)
			if err != nil {
				return nil, err
			}
			return usesOf(all, func(j *ledger.LotJob) string { return j.SHA256 }), nil
		}})
}

// usesOf returns how lots use jobs, by the key of a job.
func usesOf(lots []ledger.Lot, key func(*ledger.LotJob) string) map[string]shelf.Use {
	uses := map[string]shelf.Use{}
	for _, l := range lots {
		for i := range l.Jobs {
			k := key(&l.Jobs[i])
			u := uses[k]
			u.Lot = max(u.Lot, l.ID)
			u.Needed = u.Needed || ledger.Unfinished(l.Status)
			uses[k] = u
		}
	}
	return uses
}

// inspect reads a job where it lies. part, where it names any, are the lines of its part.
func (r *jobReader) inspect(ctx context.Context, path string, part job.Lines) (*job.Plan, error) {
	if lot, index, ok := client.ParseCopy(path); ok {
		return r.reorder(ctx, lot, index, part)
	}
	return r.read(ctx, path, path, part)
}

func (r *jobReader) read(ctx context.Context, path, file string, part job.Lines) (*job.Plan, error) {
	o, err := r.options(ctx)
	if err != nil {
		return nil, err
	}
	o.Part = part
	return job.InspectCopy(ctx, path, file, o, nil)
}

// take copies a job for a lot and reads the copy, so that what was inspected is what runs.
// The copy keeps which lines are the part.
func (r *jobReader) take(ctx context.Context, path string, part job.Lines) (*job.Plan, error) {
	if lot, index, ok := client.ParseCopy(path); ok {
		return r.reorder(ctx, lot, index, part)
	}
	j, err := job.OpenJob(ctx, path, part)
	if err != nil {
		return nil, err
	}
	defer j.Close()
	file, err := r.archive.Take(ctx, j.Bytes, j.Copy)
	if err != nil {
		return nil, fmt.Errorf("cannot keep a copy of %s for the lot: %w", path, err)
	}
	return r.read(ctx, path, file, job.Lines{})
}

// reorder reads the copy of a job that a lot was made from, for the machine as it is now.
func (r *jobReader) reorder(ctx context.Context, id int64, index int, part job.Lines) (*job.Plan, error) {
	if part != (job.Lines{}) {
		return nil, fmt.Errorf("cannot make job %d of lot %d again with another part: its copy keeps the original one; order from the file instead", index+1, id)
	}
	lots, err := r.lots(ctx)
	if err != nil {
		return nil, err
	}
	k := slices.IndexFunc(lots, func(l ledger.Lot) bool { return l.ID == id })
	if k < 0 || index >= len(lots[k].Jobs) {
		return nil, fmt.Errorf("cannot make job %d of lot %d again: there is no such job; see: beltwarden lot list", index+1, id)
	}
	j := lots[k].Jobs[index]
	fail := func(why string) (*job.Plan, error) {
		return nil, fmt.Errorf("cannot make job %d of lot %d again: %s; slice it again, or use its file if you still have it: %s", index+1, id, why, j.Path)
	}
	file, ok := r.archive.Reserve(j.SHA256)
	if !ok {
		return fail("its copy was removed to make room")
	}
	plan, err := r.read(ctx, j.Path, file, job.Lines{})
	if err == nil && plan.SHA256 != j.SHA256 {
		return fail("its copy is damaged")
	}
	return plan, err
}

// hasCopy reports whether the copy of a job is there.
func (r *jobReader) hasCopy(digest string) bool {
	_, ok := r.archive.Find(digest)
	return ok
}

// reread reads a job of the open lot after a restart: the lot's copy. Where there is
// none, as after the ledger was restored on another computer, the job's own file is copied
// again. It is a [supervisor.Inspector].
func (r *jobReader) reread(ctx context.Context, path string) (*job.Plan, error) {
	lots, err := r.lots(ctx)
	if err != nil {
		return nil, err
	}
	for _, l := range slices.Backward(lots) { // of two lots from one path the newest is in work
		for _, j := range l.Jobs {
			if j.Path != path || !ledger.Unfinished(l.Status) {
				continue
			}
			if file, ok := r.archive.Find(j.SHA256); ok {
				if plan, err := r.read(ctx, path, file, job.Lines{}); err == nil && plan.SHA256 == j.SHA256 {
					return plan, nil
				}
			}
		}
	}
	plan, err := r.take(ctx, path, job.Lines{})
	if errors.Is(err, archive.ErrFull) { // a lot goes on without a copy, and each line is judged as it is sent
		return r.inspect(ctx, path, job.Lines{})
	}
	return plan, err
}
