package api

import (
	_ "embed"
	"net/http"
)

//go:embed openapi.yaml
var openAPI []byte

// serveOpenAPI answers with the description of the interface in the form of OpenAPI 3.0.
// Its media type is that of RFC 9512.
func serveOpenAPI(w http.ResponseWriter, _ *http.Request) error {
	w.Header().Set("Content-Type", "application/yaml")
	_, _ = w.Write(openAPI) // a reader who has gone needs no answer
	return nil
}
