package web

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/replica"
)

// stage is a rehearsal that begins as soon as it is asked to.
type stage struct {
	state   replica.RehearsalState
	changed chan struct{}
}

func (s *stage) State() replica.RehearsalState { return s.state }
func (s *stage) Changed() <-chan struct{}      { return s.changed }
func (s *stage) Start()                        { s.state = replica.RehearsalState{URL: "http://127.0.0.1:4999/enter/once"} }
func (s *stage) Discard()                      { s.state = replica.RehearsalState{} }

// TestARehearsalBeginsOnTheRealPages presses the button, is led to the rehearsal in a tab
// of its own, and throws it away; the real pages stay as they are. Where none can be
// begun, none is offered.
func TestARehearsalBeginsOnTheRealPages(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	require.NotContains(t, d.get("/barn"), `href="/rehearse"`)
	code, _ := d.ask("/rehearse")
	require.Equal(t, http.StatusNotFound, code)
	s := &stage{changed: make(chan struct{})}
	d.replica.Rehearsals = s
	require.Contains(t, d.get("/barn"), `href="/rehearse"`)
	require.Equal(t, "/rehearse", d.fill("/rehearse", "do", "start"))
	page := d.get("/rehearse")
	require.Contains(t, page, `href="http://127.0.0.1:4999/enter/once" target="_blank"`)
	require.NotContains(t, page, "nothing here is real", "these pages are")
	require.NotContains(t, page, "/rehearsal.css")
	require.Equal(t, "/rehearse", d.fill("/rehearse", "do", "discard"))
	require.Empty(t, s.State())
	s.state.Trouble = "The rehearsal ended by itself: no room"
	require.Contains(t, d.get("/rehearse"), "no room")
}
