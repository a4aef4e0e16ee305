package web

import (
	"fmt"
	"html"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

var suggestedMove = regexp.MustCompile(`href="(/write/bags_moved\?[^"]+)"`)

// TestSuggestionsBecomeRecords: what the page suggests is only a suggestion until its form
// is sent; then the bags lie there, the order is open, and neither is suggested again.
func TestSuggestionsBecomeRecords(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	south := d.write(&pb.PlaceAdded{Name: "south car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER}).Made[0]
	for n := range 40 {
		d.write(&pb.MareDue{Name: fmt.Sprintf("Mare %d", n), DueOn: night.AddDate(0, 0, n%7).Format(time.DateOnly), Place: "south car"})
	}
	ask := func() *pb.ListLevelsResponse {
		out, err := d.site.Stock.ListLevels(t.Context(), &pb.ListLevelsRequest{})
		require.NoError(t, err)
		return out
	}
	before := ask()
	require.NotEmpty(t, before.Moves)
	require.NotEmpty(t, before.Order)
	require.Zero(t, before.Ordered)

	page := d.get("/clinic/levels")
	move := html.UnescapeString(suggestedMove.FindStringSubmatch(page)[1])
	at, err := url.Parse(move)
	require.NoError(t, err)
	require.Equal(t, south, at.Query().Get("to_place"))
	require.Equal(t, before.Moves, ask().Moves, "looking moves nothing")
	bags := strings.Join(at.Query()["bags"], "\n")
	shown := d.get(move)
	require.Contains(t, shown, ">"+bags+"</textarea>")
	code, _, said := d.send("/write/bags_moved", d.fields(shown, "bags", bags, "to_place", south))
	require.Equal(t, 303, code, said)
	require.Empty(t, ask().Moves)

	order := html.UnescapeString(regexp.MustCompile(`href="(/write/bags_ordered\?[^"]+)"`).FindStringSubmatch(page)[1])
	at, err = url.Parse(order)
	require.NoError(t, err)
	code, _, said = d.send("/write/bags_ordered", d.fields(d.get(order), "product", at.Query().Get("product"), "count", at.Query().Get("count")))
	require.Equal(t, 303, code, said)
	after := ask()
	require.Equal(t, before.Order[0].Bags, after.Ordered)
	require.Empty(t, after.Order)
	code, said = d.ask("/clinic/levels?lead_weeks=soon")
	require.Equal(t, 404, code, "as every page answers what it cannot show")
	require.Contains(t, plainText(said), "'soon' is no whole number")
}
