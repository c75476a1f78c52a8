package api

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"reflect"
	"strings"

	"go.uber.org/zap"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"

	"beltwarden/daemon/archive"
	"beltwarden/daemon/client"
	"beltwarden/daemon/precision"
	"beltwarden/daemon/shelf"
)

// answer writes a value as JSON. Its error is nil: there is nobody left to tell.
func answer(w http.ResponseWriter, status int, v any) error {
	w.Header().Set("Content-Type", "application/json")
	data, err := precision.Marshal(v)
	if err != nil { // a number that JSON cannot hold: a bug of ours, said plainly
		status, data = http.StatusInternalServerError, []byte(`{"status":500,"detail":"cannot write the answer as JSON"}`)
	}
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(append(data, '\n')) // a reader who has gone needs no answer
	return nil
}

// badRequest is input that cannot be taken, with what would help.
type badRequest struct {
	status         int
	detail, remedy string
}

func (e *badRequest) Error() string { return e.detail }

// problems are the answers to errors that callers can cause, looked through in this order. An empty
// detail is that of the error.
var problems = []struct {
	err            error
	status         int
	detail, remedy string
}{
	{shelf.ErrNotFound, http.StatusNotFound, "", "see the list of stored jobs: GET /api/v1/jobs"},
	{shelf.ErrName, http.StatusUnprocessableEntity, "", "name the file as in ?name=stake-clip.gcode"},
	{shelf.ErrTooLarge, http.StatusRequestEntityTooLarge, "", "slice it with fewer details, or raise server.upload_limit_mb"},
	{shelf.ErrBusy, http.StatusServiceUnavailable, "", "try again shortly"},
	{shelf.ErrFull, http.StatusInsufficientStorage, "", "make room on the disk, or remove stored jobs that you no longer need"},
	{archive.ErrFull, http.StatusInsufficientStorage, "", "make room on the ledger's disk, or raise server.jobs_limit_mb"},
	{supervisor.ErrEnded, http.StatusServiceUnavailable, "the daemon is shutting down and takes no more requests", "try again when it is running again"},
	{ledger.ErrNotFound, http.StatusNotFound, "", "see the list of lots: beltwarden lot list"},
	{ledger.ErrTooMany, http.StatusConflict, "", "count the parts again"},
	{errCancelled, http.StatusServiceUnavailable, "the request was cancelled before it was carried out", "try again"},
	{context.DeadlineExceeded, http.StatusServiceUnavailable, "the ledger or a job file takes too long to read", "try again; if it persists, check the disk"},
	{ledger.ErrFull, http.StatusInsufficientStorage, "", "make room on the ledger's disk"},
}

// errCancelled stands for every error of a request that the client has given up.
var errCancelled = errors.New("cancelled")

// fail answers with the problem that an error is.
func (b *api) fail(w http.ResponseWriter, r *http.Request, err error) {
	var bad *badRequest
	var refusal *supervisor.Refusal
	switch {
	case errors.As(err, &bad):
		client.Refuse(w, bad.status, bad.detail, bad.remedy)
		return
	case errors.As(err, &refusal):
		client.Refuse(w, http.StatusConflict, "cannot "+refusal.What+": "+refusal.Why, refusal.Help())
		return
	}
	for _, p := range problems {
		if errors.Is(err, p.err) || p.err == errCancelled && r.Context().Err() != nil {
			client.Refuse(w, p.status, cmp.Or(p.detail, err.Error()), p.remedy)
			return
		}
	}
	b.Log.Error("unexpected error", zap.String("path", r.URL.Path), zap.Error(err))
	client.Refuse(w, http.StatusInternalServerError, err.Error(), "see the daemon's log")
}

// decode reads the body of a request strictly: one JSON object with known fields only.
func decode(r *http.Request, to any) error {
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return &badRequest{http.StatusUnsupportedMediaType, "the request is not marked as JSON", "send it with Content-Type: application/json"}
	}
	data, err := io.ReadAll(r.Body)
	if err != nil {
		return readProblem(err)
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(to); err != nil {
		return decodeProblem(err, to)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return &badRequest{http.StatusBadRequest, "there is text after the JSON object", "send one object"}
	}
	return nil
}

// readProblem is the answer to a body that cannot be read.
func readProblem(err error) error {
	if long := new(http.MaxBytesError); errors.As(err, &long) {
		return &badRequest{http.StatusRequestEntityTooLarge, fmt.Sprintf("the request is longer than %d bytes", long.Limit), "send less"}
	}
	return &badRequest{http.StatusBadRequest, "cannot read the request: " + err.Error(), "send it again"}
}

// decodeProblem is the answer to a mistake in the JSON of a request. It names the field.
func decodeProblem(err error, to any) error {
	var kind *json.UnmarshalTypeError
	var syntax *json.SyntaxError
	const unknown = "json: unknown field "
	switch {
	case errors.As(err, &kind) && kind.Field == "":
		return &badRequest{http.StatusUnprocessableEntity, "the request is " + withArticle(kind.Value), "send one JSON object"}
	case errors.As(err, &kind):
		// Without the names of embedded structs, which the sender does not know.
		field := kind.Field
		for _, holder := range []string{"Visit.", "ScaleRequest.", "TrialBegin.", "TrialEnd.", "SetupMove.", "SetupFound."} {
			field = strings.TrimPrefix(field, holder)
		}
		return &badRequest{http.StatusUnprocessableEntity,
			fmt.Sprintf("field %q is %s, but must be %s", field, withArticle(kind.Value), kind.Type), "correct that field"}
	case errors.As(err, &syntax):
		return &badRequest{http.StatusBadRequest, fmt.Sprintf("the request is not JSON at byte %d: %v", syntax.Offset, syntax), "correct it"}
	case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
		return &badRequest{http.StatusBadRequest, "the request is empty or ends too early", "send one JSON object"}
	case strings.HasPrefix(err.Error(), unknown):
		return &badRequest{http.StatusUnprocessableEntity, "there is no field " + strings.TrimPrefix(err.Error(), unknown),
			"the fields are: " + strings.Join(fields(reflect.TypeOf(to).Elem()), ", ")}
	}
	return &badRequest{http.StatusUnprocessableEntity, err.Error(), "correct that value"}
}

func withArticle(kind string) string {
	if kind == "array" || kind == "object" {
		return "an " + kind
	}
	return "a " + kind
}

// fields lists the JSON names of a request's fields.
func fields(t reflect.Type) (names []string) {
	for _, f := range reflect.VisibleFields(t) {
		if name, _, _ := strings.Cut(f.Tag.Get("json"), ","); name != "" && name != "-" && !f.Anonymous {
			names = append(names, name)
		}
	}
	return names
}
