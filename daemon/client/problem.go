package client

import (
	"encoding/json"
	"mime"
	"net/http"
	"strings"
)

// ProblemType is the media type of a [Problem].
const ProblemType = "application/problem+json"

// Problem is an answer that says why a request was not carried out, as in RFC
// 9457, with what would help.
type Problem struct {
	Type   string `json:"type"` // always about:blank: Title is that of Status
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`
	Remedy string `json:"remedy,omitempty"`
}

// Error implements error: the detail, and what would help.
func (p *Problem) Error() string {
	text := p.Detail
	if text == "" {
		text = p.Title
	}
	if p.Remedy != "" && !strings.Contains(text, p.Remedy) {
		text += "; " + p.Remedy
	}
	return text
}

// problem reads an answer that is not a success. One that is no Problem, as from
// another program at the same address, becomes one.
func problem(answer *http.Response, data []byte) *Problem {
	kind, _, _ := mime.ParseMediaType(answer.Header.Get("Content-Type"))
	p := new(Problem)
	if kind == ProblemType && json.Unmarshal(data, p) == nil {
		p.Status = answer.StatusCode
		return p
	}
	detail := strings.TrimSpace(string(data[:min(len(data), 300)]))
	if detail == "" || kind == "text/html" {
		detail = "the answer was " + answer.Status
	}
	return &Problem{Type: "about:blank", Title: http.StatusText(answer.StatusCode), Status: answer.StatusCode, Detail: detail}
}
