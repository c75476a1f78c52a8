package api

import (
	"fmt"
	"net/http/httptest"
	"sync"
	"testing"
	"testing/synctest"

	"beltwarden/daemon/idempotency"
	"beltwarden/supervisor"
)

const holdBody = `{"command":"hold"}`

func TestSameKeyIsCarriedOutOnce(t *testing.T) {
	b := setUp(t)
	first := b.ask("POST", "/api/v1/commands", holdBody, "Idempotency-Key", "a")
	again := b.ask("POST", "/api/v1/commands", holdBody, "Idempotency-Key", "a")
	if len(b.run.asked) != 1 || again.Code != 200 || again.Body.String() != first.Body.String() || again.Header().Get("Content-Type") != "application/json" {
		t.Errorf("asked %d times: %d %s", len(b.run.asked), again.Code, again.Body)
	}
	if w := b.ask("POST", "/api/v1/commands", `{"command":"stop"}`, "Idempotency-Key", "a"); w.Code != 422 {
		t.Errorf("another request under the same key: %d", w.Code)
	}
	if w := b.ask("POST", "/api/v1/checks", `{"good":1}`, "Idempotency-Key", "a"); w.Code != 200 || len(b.run.asked) != 2 {
		t.Errorf("the same key elsewhere: %d, asked %d times", w.Code, len(b.run.asked))
	}
	b.ask("POST", "/api/v1/commands", holdBody, "Idempotency-Key", "b")
	b.ask("POST", "/api/v1/commands", holdBody)
	b.ask("POST", "/api/v1/commands", holdBody)
	if len(b.run.asked) != 5 {
		t.Errorf("asked %d times", len(b.run.asked))
	}
}

// A refusal is an answer and is repeated; a failure is not, so that a later try
// can succeed.
func TestRefusalsAreKeptAndFailuresAreNot(t *testing.T) {
	b := setUp(t)
	b.run.err = &supervisor.Refusal{What: "hold", Why: "the machine is Idle", Remedy: "start it"}
	b.ask("POST", "/api/v1/commands", holdBody, "Idempotency-Key", "a")
	b.run.err = nil
	if w := b.ask("POST", "/api/v1/commands", holdBody, "Idempotency-Key", "a"); w.Code != 409 || problemOf(t, w).Remedy != "start it" {
		t.Errorf("a refusal repeated: %d", w.Code)
	}
	b.run.err = supervisor.ErrEnded
	b.ask("POST", "/api/v1/commands", holdBody, "Idempotency-Key", "b")
	b.run.err = nil
	if w := b.ask("POST", "/api/v1/commands", holdBody, "Idempotency-Key", "b"); w.Code != 200 {
		t.Errorf("after a failure: %d", w.Code)
	}
}

func TestRepeatWhileTheFirstIsUnderWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := setUp(t)
		b.run.wait = make(chan struct{})
		answers := make([]*httptest.ResponseRecorder, 5)
		var all sync.WaitGroup
		for i := range answers {
			all.Go(func() { answers[i] = b.ask("POST", "/api/v1/commands", holdBody, "Idempotency-Key", "a") })
		}
		synctest.Wait()
		close(b.run.wait)
		all.Wait()
		for i, w := range answers {
			if w.Code != 200 || w.Body.String() != answers[0].Body.String() {
				t.Errorf("answer %d: %d %s", i, w.Code, w.Body)
			}
		}
		if len(b.run.asked) != 1 {
			t.Errorf("asked %d times", len(b.run.asked))
		}
		b.ledger.Close()
	})
}

func TestKeysAreForgottenInOrder(t *testing.T) {
	b := setUp(t)
	for i := range idempotency.MaxAnswers + 1 {
		b.ask("POST", "/api/v1/commands", holdBody, "Idempotency-Key", fmt.Sprint(i))
	}
	n := len(b.run.asked)
	b.ask("POST", "/api/v1/commands", holdBody, "Idempotency-Key", "1")
	if len(b.run.asked) != n {
		t.Error("a key was forgotten too early")
	}
	b.ask("POST", "/api/v1/commands", holdBody, "Idempotency-Key", "0")
	if len(b.run.asked) != n+1 {
		t.Error("the oldest key is kept beyond the bound")
	}
}
