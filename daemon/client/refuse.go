package client

import (
	"encoding/json"
	"net/http"
)

// Refuse answers a request with a [Problem].
func Refuse(w http.ResponseWriter, status int, detail, remedy string) {
	data, err := json.Marshal(Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail, Remedy: remedy})
	if err != nil { // strings and a number: it cannot fail
		status = http.StatusInternalServerError
	}
	w.Header().Set("Content-Type", ProblemType)
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(append(data, '\n')) // a reader who has gone needs no answer
}
