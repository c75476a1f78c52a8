package api

import (
	"net/http"

	"beltwarden/daemon/access"
	"beltwarden/daemon/client"
	"beltwarden/supervisor"
)

// setupMove moves the belt a few millimetres. The answer comes when the move has ended.
func setupMove(r *http.Request, q *client.SetupMoveRequest) (supervisor.Request, error) {
	return supervisor.Request{SetupMove: &q.SetupMove, By: access.Actor(r, q.By)}, nil
}

// setupFound takes what was seen of it.
func setupFound(r *http.Request, q *client.SetupFoundRequest) (supervisor.Request, error) {
	return supervisor.Request{SetupFound: &q.SetupFound, By: access.Actor(r, q.By)}, nil
}
