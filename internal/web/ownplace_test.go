package web

import (
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/site"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestTheOwnCarIsTheDefault: with one vehicle's freezer it is that one; with two it is the
// one that was said on this laptop, for all its browsers and after a new start. It is
// where bags for the dose come from, what is counted, and where bags are loaded to.
func TestTheOwnCarIsTheDefault(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	id := d.foal("Quiet Harbour")
	d.fill("/case/"+id+"/weigh", "weight_g", "50", "method", "scale")
	d.fill("/case/"+id+"/igg", "kind", "barn immunoassay", "igg_cg_per_l", "3.5")
	d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: "H-2207", Expiry: "2028-03", VolumeMl: 950, Count: 2, Place: "clinic freezer"})
	north := d.place
	checked := func(place string) string { return `name="place" value="` + place + `" checked` }
	dose := func() string { return d.get("/case/" + id + "/dose") }
	assert.Contains(t, dose(), checked(north), "the only vehicle of the practice")
	assert.Contains(t, dose(), `name="bags"`, "and its bags are chosen without a press")
	assert.Contains(t, d.get("/clinic/count"), "<h2>north car</h2>")
	loads := func(from string) string {
		return regexp.MustCompile(`(?s)name="to_place".*?</select>`).FindString(d.get("/clinic/load?place=" + from))
	}
	freezer := regexp.MustCompile(`<option value="([^"]+)">clinic freezer`).FindStringSubmatch(d.get("/clinic/load"))[1]
	assert.Contains(t, loads(freezer), `<option value="`+north+`" selected>north car`)

	west := d.write(&pb.PlaceAdded{Name: "west car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER}).Made[0]
	d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: "H-2207", Expiry: "2028-03", VolumeMl: 950, Count: 2, Place: "west car"})
	assert.NotContains(t, dose(), checked(north), "nobody said which of two")
	assert.NotContains(t, dose(), checked(west))

	require.Contains(t, d.get("/clinic/setup"), `href="/own-place"`)
	require.Equal(t, "/clinic/setup", d.fill("/own-place", "place", west))
	again, err := New(site.Config{Replica: d.replica, Clock: d.clock})
	require.NoError(t, err)
	d.site, d.server.Config.Handler = again, again
	d.browser = d.newBrowser()
	assert.Contains(t, dose(), checked(west), "after a new start, in another browser")
	assert.Contains(t, d.get("/clinic/count"), "<h2>west car</h2>")
	assert.Contains(t, d.get("/case/"+id+"/dose?place="+north), checked(north), "another can be chosen each time")
	assert.Contains(t, loads(freezer), `<option value="`+west+`" selected>west car`)
	assert.NotContains(t, loads(west), "selected", "nothing is loaded to where it lies")

	d.replica.Hub = true
	require.NoError(t, d.replica.Store.SetLocal("own_place", nil))
	assert.NotContains(t, d.get("/clinic/count"), "<h2>", "the clinic's server is in no car")
}
