package api

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"
)

// description is the document and what finds the operation of a request in it, read by
// another implementation of OpenAPI than ours, which is a text.
type description struct {
	*openapi3.T
	routers.Router
}

// described reads it once: that takes longer than a request, and requests come together.
var described = sync.OnceValues(func() (description, error) {
	// What the library does not know it does not look at.
	for _, kind := range []string{"application/yaml", "text/csv", "text/html", "text/plain"} {
		openapi3filter.RegisterBodyDecoder(kind, openapi3filter.FileBodyDecoder)
	}
	openapi3filter.RegisterBodyDecoder("application/problem+json", openapi3filter.JSONBodyDecoder)
	doc, err := openapi3.NewLoader().LoadFromData(openAPI)
	if err != nil {
		return description{}, err
	}
	doc.Servers = nil // any address will do
	r, err := legacy.NewRouter(doc)
	return description{doc, r}, err
})

func router(t testing.TB) (*openapi3.T, routers.Router) {
	t.Helper()
	d, err := described()
	if err != nil {
		t.Fatal(err)
	}
	return d.T, d.Router
}

// conforms holds an answer against what the document says of it.
func conforms(t testing.TB, r *http.Request, sent []byte, w *httptest.ResponseRecorder) {
	t.Helper()
	_, find := router(t)
	route, params, err := find.FindRoute(r)
	if err != nil {
		if w.Code != http.StatusNotFound && w.Code != http.StatusMethodNotAllowed && r.Method != http.MethodHead {
			t.Errorf("%s %s is answered with %d and is not described: %v", r.Method, r.URL.Path, w.Code, err)
		}
		return
	}
	r.Body = io.NopCloser(bytes.NewReader(sent))
	in := &openapi3filter.RequestValidationInput{Request: r, PathParams: params, Route: route,
		Options: &openapi3filter.Options{AuthenticationFunc: openapi3filter.NoopAuthenticationFunc}}
	if w.Code < 300 { // what is taken must be described; what is refused may be anything
		if err := openapi3filter.ValidateRequest(context.Background(), in); err != nil {
			t.Errorf("%s %s took a request that is not described: %v", r.Method, r.URL.Path, err)
		}
	}
	out := &openapi3filter.ResponseValidationInput{RequestValidationInput: in, Status: w.Code, Header: w.Header(),
		Options: &openapi3filter.Options{IncludeResponseStatus: true}}
	out.SetBodyBytes(w.Body.Bytes())
	if err := openapi3filter.ValidateResponse(context.Background(), out); err != nil {
		t.Errorf("%s %s is answered otherwise than described: %v", r.Method, r.URL.Path, err)
	}
}

// TestTheDocumentIsServed and is a valid one.
func TestTheDocumentIsServed(t *testing.T) {
	w := setUp(t).ask("GET", "/api/v1/openapi.yaml", "")
	if w.Code != 200 || !bytes.Equal(w.Body.Bytes(), openAPI) || w.Header().Get("Content-Type") != "application/yaml" {
		t.Fatalf("%d, %d bytes as %s", w.Code, w.Body.Len(), w.Header().Get("Content-Type"))
	}
	doc, _ := router(t)
	if err := doc.Validate(context.Background()); err != nil {
		t.Error(err)
	}
}

// TestEveryRouteIsDescribed, and nothing else; all that acts takes an idempotency key.
func TestEveryRouteIsDescribed(t *testing.T) {
	doc, _ := router(t)
	var are, said []string
	for pattern := range new(api).routes(http.NotFoundHandler()) {
		are = append(are, pattern)
	}
	for path, item := range doc.Paths.Map() {
		for method, o := range item.Operations() {
			said = append(said, method+" "+path)
			key := slices.ContainsFunc(o.Parameters, func(p *openapi3.ParameterRef) bool { return p.Value.Name == "Idempotency-Key" })
			acts := method != http.MethodGet && path != "/api/v1/jobs" // a file that is sent twice is stored once
			if key != acts {
				t.Errorf("%s %s: takes an idempotency key %v, acts %v", method, path, key, acts)
			}
		}
	}
	slices.Sort(are)
	slices.Sort(said)
	if !slices.Equal(are, said) {
		t.Errorf("answered:\n%s\ndescribed:\n%s", strings.Join(are, "\n"), strings.Join(said, "\n"))
	}
}

// TestSchemasAreTheTypes compares each schema with the type that is sent: the same fields,
// and those that may be left out.
func TestSchemasAreTheTypes(t *testing.T) {
	doc, _ := router(t)
	seen := map[string]bool{"State": true, "Command": true}
	var compare func(name string, typ reflect.Type)
	var follow func(s *openapi3.SchemaRef, typ reflect.Type)
	follow = func(s *openapi3.SchemaRef, typ reflect.Type) {
		for typ.Kind() == reflect.Pointer {
			typ = typ.Elem()
		}
		ref := s.Ref
		if ref == "" && len(s.Value.AllOf) == 1 {
			ref = s.Value.AllOf[0].Ref
		}
		switch {
		case ref != "":
			if name := strings.TrimPrefix(ref, "#/components/schemas/"); !seen[name] {
				compare(name, typ)
			}
		case (typ.Kind() == reflect.Slice || typ.Kind() == reflect.Array) && s.Value.Items != nil:
			follow(s.Value.Items, typ.Elem())
		case typ.Kind() == reflect.Map && s.Value.AdditionalProperties.Schema != nil:
			follow(s.Value.AdditionalProperties.Schema, typ.Elem())
		}
	}
	compare = func(name string, typ reflect.Type) {
		seen[name] = true
		s := doc.Components.Schemas[name]
		if s == nil {
			t.Errorf("there is no schema %s", name)
			return
		}
		if typ.Kind() != reflect.Struct {
			t.Errorf("%s is %s", name, typ)
			return
		}
		fields := map[string]bool{} // by name, whether it must be there
		types := map[string]reflect.Type{}
		jsonFields(typ, fields, types)
		for field, must := range fields {
			p := s.Value.Properties[field]
			if p == nil {
				t.Errorf("%s.%s is not described", name, field)
				continue
			}
			if required := slices.Contains(s.Value.Required, field); required != must {
				t.Errorf("%s.%s: must be there %v, described %v", name, field, must, required)
			}
			follow(p, types[field])
		}
		for field := range s.Value.Properties {
			if _, ok := fields[field]; !ok {
				t.Errorf("%s.%s is described and not there", name, field)
			}
		}
	}
	for name, typ := range map[string]reflect.Type{"Snapshot": reflect.TypeFor[supervisor.Snapshot](), "Result": reflect.TypeFor[supervisor.Result](),
		"Problem": reflect.TypeFor[client.Problem](), "LotSummary": reflect.TypeFor[client.LotSummary](), "LotDetail": reflect.TypeFor[client.LotDetail](),
		"Event": reflect.TypeFor[client.Event](), "Channel": reflect.TypeFor[client.Receiver](), "AlertTest": reflect.TypeFor[client.AlertTest](),
		"AlertTested": reflect.TypeFor[client.AlertTested](), "Acknowledgement": reflect.TypeFor[client.Acknowledgement](),
		"CommandRequest": reflect.TypeFor[client.CommandRequest](), "CheckRequest": reflect.TypeFor[client.CheckRequest](),
		"LotRequest": reflect.TypeFor[client.LotRequest](), "EndRequest": reflect.TypeFor[client.EndRequest](), "ScaleRequest": reflect.TypeFor[client.ScaleRequest](),
		"SetupMoveRequest": reflect.TypeFor[client.SetupMoveRequest](), "SetupFoundRequest": reflect.TypeFor[client.SetupFoundRequest](),
		"TrialBeginRequest": reflect.TypeFor[client.TrialBeginRequest](), "TrialEndRequest": reflect.TypeFor[client.TrialEndRequest](),
		"InviteRequest": reflect.TypeFor[client.InviteRequest](), "Invitation": reflect.TypeFor[client.Invitation](),
		"Job": reflect.TypeFor[client.Job](), "JobDetail": reflect.TypeFor[client.JobDetail]()} {
		if !seen[name] {
			compare(name, typ)
		}
	}
	for name := range doc.Components.Schemas {
		if !seen[name] {
			t.Errorf("schema %s belongs to nothing that is sent", name)
		}
	}
}

// jsonFields lists the fields of a type as encoding/json writes them.
func jsonFields(typ reflect.Type, must map[string]bool, types map[string]reflect.Type) {
	if typ == reflect.TypeFor[time.Time]() {
		return
	}
	for i := range typ.NumField() {
		f := typ.Field(i)
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case name == "-" || !f.IsExported():
		case f.Anonymous && name == "":
			jsonFields(f.Type, must, types)
		default:
			if name == "" {
				name = f.Name
			}
			must[name], types[name] = !strings.Contains(options, "omitempty") && !strings.Contains(options, "omitzero"), f.Type
		}
	}
}
