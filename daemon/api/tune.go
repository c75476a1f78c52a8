package api

import (
	"net/http"

	"beltwarden/daemon/client"
	"beltwarden/supervisor"

	"beltwarden/daemon/access"
)

// scale sets the belt's scale on the board. It is answered once the board has confirmed it.
func (b *api) scale(w http.ResponseWriter, r *http.Request) {
	var q client.ScaleRequest
	if err := decode(r, &q); err != nil {
		b.fail(w, r, err)
		return
	}
	if given := q.StepsPerMM != 0 || q.NowStepsPerMM != 0; given == q.Undo {
		b.fail(w, r, &badRequest{http.StatusUnprocessableEntity, "give steps_per_mm and now_steps_per_mm, or only undo", "leave out the others"})
		return
	}
	b.do(w, r, supervisor.Request{Scale: &q.ScaleRequest, By: access.Actor(r, q.By)})
}

// beginTrial runs the belt to try its alignment. It is answered before the belt has run.
func (b *api) beginTrial(w http.ResponseWriter, r *http.Request) {
	var q client.TrialBeginRequest
	if err := decode(r, &q); err != nil {
		b.fail(w, r, err)
		return
	}
	b.do(w, r, supervisor.Request{TrialBegin: &q.TrialBegin, By: access.Actor(r, q.By)})
}

// endTrial judges the alignment by the second reading.
func (b *api) endTrial(w http.ResponseWriter, r *http.Request) {
	var q client.TrialEndRequest
	if err := decode(r, &q); err != nil {
		b.fail(w, r, err)
		return
	}
	b.do(w, r, supervisor.Request{TrialEnd: &q.TrialEnd, By: access.Actor(r, q.By)})
}
