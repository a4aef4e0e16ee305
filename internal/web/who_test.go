package web

import (
	"net/http/httptest"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/trust"
	"thawtrail/internal/web/site"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestWhoWritesIsRemembered: it is the person that the laptop joined for until another
// is chosen, and that choice outlives a restart. Where nobody is named, a form says so
// before it is saved.
func TestWhoWritesIsRemembered(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	alder := d.people()[0].Value
	reed := d.write(&pb.PersonAdded{Name: "J. Reed"}).Made[0]
	run := "/case/" + id + "/run"
	assert.Contains(t, plainText(d.get(run)), "Nobody is named: it is saved without a name")

	d.replica.Joined = &trust.Joined{Person: reed}
	page := d.get(run)
	assert.Contains(t, page, `data-who="`+reed+`"`, "the person it joined for")
	assert.NotContains(t, plainText(page), "Nobody is named")

	v := d.fields(page)
	v.Set("person", alder)
	_, _, _ = d.send("/who", v)
	again, err := New(site.Config{Replica: d.replica, Clock: d.clock})
	require.NoError(t, err)
	server := httptest.NewServer(again)
	t.Cleanup(server.Close)
	d.server.URL = server.URL // cookies know no ports
	assert.Contains(t, d.get(run), `data-who="`+alder+`"`, "who was chosen, after a restart")
}

// people are who may write here.
func (d *laptop) people() (out []site.Option) {
	d.t.Helper()
	list, err := d.site.Audit.ListPeople(d.t.Context(), &pb.ListPeopleRequest{})
	require.NoError(d.t, err)
	for _, p := range list.People {
		out = append(out, site.Option{Value: p.Person, Label: p.Name})
	}
	return out
}
