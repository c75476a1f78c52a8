package job

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"

	"beltwarden/supervisor/gcode"
)

// Inspect reads the file once and returns what it will do on the machine, or a *[Refusal] with
// every reason why it cannot run. Lines that repeat inside the body are processed as often as they
// are sent. progress, which may be nil, is called with the bytes read so far and in all.
//
// A plan may still hold findings of severity [Error]; see [Plan.Blocked].
func Inspect(ctx context.Context, path string, o Options, progress func(done, total int64)) (*Plan, error) {
	return InspectCopy(ctx, path, path, o, progress)
}

// InspectCopy is [Inspect] for a copy of the job. The plan and all messages name the job by its
// path; only the copy is read, now and when it runs.
func InspectCopy(ctx context.Context, path, file string, o Options, progress func(done, total int64)) (*Plan, error) {
	o, err := o.complete()
	if err != nil {
		return nil, err
	}
	f, info, err := openJob(path, file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	p := &Plan{Path: path, file: file, SourceBytes: info.Size(), options: o, identity: identityOf(info), Unknown: []Unknown{}}
	if o.Part == (Lines{}) {
		o.Part = readNote(f, info.Size())
	}
	read, problems, err := newInspector(ctx, o, p, f).run(progress)
	if err != nil {
		return nil, fmt.Errorf("cannot inspect %s: %w", path, err)
	}
	if now, err := f.Stat(); err != nil || identityOf(now) != p.identity || read != info.Size() {
		return nil, fmt.Errorf("cannot inspect %s: %w while it was being read; wait until it is written, and try again", path, ErrChanged)
	}
	if len(problems) > 0 {
		return nil, &Refusal{Path: path, Problems: problems}
	}
	return p, nil
}

// Job is an open job file, to be copied.
type Job struct {
	Bytes int64 // of the copy

	note string // what ends the copy
	ctx  context.Context
	path string
	f    *os.File
	was  identity
}

// OpenJob opens a job for copying. It refuses what [Inspect] refuses to open. part, if it names
// any, are the lines of the part, which the copy then records.
func OpenJob(ctx context.Context, path string, part Lines) (*Job, error) {
	if err := part.check(); err != nil {
		return nil, err
	}
	f, info, err := openJob(path, path)
	if err != nil {
		return nil, err
	}
	note := part.note()
	return &Job{Bytes: info.Size() + int64(len(note)), note: note, ctx: ctx, path: path, f: f, was: identityOf(info)}, nil
}

// Copy writes the job to w and returns the SHA-256 digest of what it wrote. It fails with
// [ErrChanged] if the file changes in the meantime.
func (j *Job) Copy(w io.Writer) (digest string, err error) {
	hash := sha256.New()
	buf := make([]byte, readBytes)
	for n := 0; err == nil; {
		if n, err = j.f.Read(buf); n > 0 {
			hash.Write(buf[:n])
			if _, err := w.Write(buf[:n]); err != nil {
				return "", fmt.Errorf("cannot copy %s: %w", j.path, err)
			}
		}
		if j.ctx.Err() != nil {
			return "", j.ctx.Err()
		}
	}
	if err != io.EOF {
		return "", fmt.Errorf("cannot copy %s: %w", j.path, err)
	}
	if now, err := j.f.Stat(); err != nil || identityOf(now) != j.was {
		return "", fmt.Errorf("cannot copy %s: %w while it was being read; wait until it is written, and try again", j.path, ErrChanged)
	}
	if _, err := io.WriteString(io.MultiWriter(hash, w), j.note); err != nil {
		return "", fmt.Errorf("cannot copy %s: %w", j.path, err)
	}
	return hex.EncodeToString(hash.Sum(nil)), nil
}

// Close closes the file.
func (j *Job) Close() error { return j.f.Close() }

// complete fills in defaults and checks the options.
func (o Options) complete() (_ Options, err error) {
	if o.Forward == 0 {
		o.Forward = 1
	}
	if o.FilamentDiameterMM == 0 {
		o.FilamentDiameterMM = 1.75
	}
	if o.repeatLimit == 0 {
		o.repeatLimit = maxRepeatedBytes
	}
	if o.DensityGPerCM3 == 0 {
		o.DensityGPerCM3 = 1.24
	}
	o.Known = o.Motion
	if o.Motion, err = o.Motion.Complete(); err != nil {
		return o, fmt.Errorf("cannot inspect a job: %w", err)
	}
	for _, a := range o.HomedAxes {
		if a == o.BeltAxis {
			return o, fmt.Errorf("cannot inspect a job: axis %s is both the belt and an axis with an end stop", a)
		}
	}
	if err := o.Part.check(); err != nil {
		return o, err
	}
	switch {
	case o.BeltAxis != gcode.Y && o.BeltAxis != gcode.Z:
		return o, fmt.Errorf("cannot inspect a job: the belt axis is %s; it must be Y or Z", o.BeltAxis)
	case o.Forward != 1 && o.Forward != -1:
		return o, fmt.Errorf("cannot inspect a job: the forward direction is %d; it must be 1 or -1", o.Forward)
	case !(o.FilamentDiameterMM > 0) || !(o.DensityGPerCM3 > 0):
		return o, fmt.Errorf("cannot inspect a job: filament diameter and density must be above zero")
	case !(o.GapMM >= 0) || !(o.PitchMM >= 0) || !(o.BedC >= 0):
		return o, fmt.Errorf("cannot inspect a job: gap, pitch and bed temperature must not be negative")
	}
	return o, nil
}
