package alert

import (
	"crypto/tls"
	"io"
	"net/http"
	"sync"
	"time"
)

// longest bounds a request of the library that has no bound of its own.
const longest = 2 * time.Minute

// outward carries all that the library sends.
var outward = &taken{http.DefaultTransport}

// taken answers a request with an error unless the other end has taken it, with a status of
// 200 to 299. The library counts whatever is below 400, and its clients follow redirects,
// with the message and its secret; a transport that fails is not followed.
type taken struct{ http.RoundTripper }

// RoundTrip implements [http.RoundTripper].
func (t *taken) RoundTrip(r *http.Request) (*http.Response, error) {
	answer, err := t.RoundTripper.RoundTrip(r)
	if err != nil || answer.StatusCode/100 == 2 {
		return answer, err
	}
	defer answer.Body.Close()
	_, _ = io.CopyN(io.Discard, answer.Body, mostAnswer) // the status has said it all
	return nil, &StatusError{Status: answer.StatusCode, RetryAfter: retryAfter(answer.Header.Get("Retry-After"), time.Now())}
}

// bound puts the library on it. Most of its services make a client that cannot be reached from
// outside, without a transport: those use the shared one, as nothing else in this program does.
var bound = sync.OnceFunc(func() {
	http.DefaultTransport = outward
	http.DefaultClient.Timeout = longest
})

// transport is outward, or one like it that takes any certificate, where an address asks for that.
func transport(anyCertificate bool) http.RoundTripper {
	if !anyCertificate {
		return outward
	}
	return &taken{&http.Transport{Proxy: http.ProxyFromEnvironment, TLSClientConfig: &tls.Config{InsecureSkipVerify: true},
		DisableKeepAlives: true}} // one for each message
}
