package web

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/query"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestSettingsAreListedAsTheyStand: the page of settings names each with what is in force,
// the practice's own or the usual, and leads to a form that starts from it.
func TestSettingsAreListedAsTheyStand(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.write(&pb.SettingsChanged{Name: "recheck_hours", Value: "18"})
	d.write(&pb.SettingsChanged{Name: "telephone", Value: "0491 570 156"})
	page := plainText(d.get("/clinic/settings"))
	for _, s := range query.Settings() {
		assert.Contains(t, page, s.Words)
		assert.Contains(t, d.get("/clinic/settings"), "/write/settings_changed?name="+s.Name)
	}
	assert.Contains(t, page, "18 usual: 24")
	assert.Contains(t, page, "13 as usual")
	assert.Contains(t, page, "0491 570 156")
	assert.Contains(t, page, "zone Australia/Sydney, currency AUD, IgG in g/L.")
	assert.Regexp(t, `name="value" value="0491 570 156"`, d.get("/write/settings_changed?name=telephone"))
	assert.Regexp(t, `name="value" value="18"`, d.get("/write/settings_changed?name=recheck_hours"))
	require.Contains(t, d.get("/clinic/setup"), `href="/clinic/settings"`)
}
