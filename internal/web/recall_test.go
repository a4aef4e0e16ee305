package web

import (
	"html"
	"regexp"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// The dossier names whom to call and what to fetch; both are ticked where they stand.
func TestARecallIsWorkedThrough(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	d.clock.Advance(time.Hour)
	d.fill("/case/"+id+"/finish?bag="+bag, "bag", bag, "given_ml", "900")
	d.write(&pb.BatchRecalled{Product: "Foal plasma", Batch: "H-2207", Reason: "maker recall"})
	at := "/clinic/recall?product=Foal+plasma&batch=H-2207"
	require.Contains(t, d.get("/clinic/batches"), `href="/clinic/recall?product=Foal%20plasma`)
	page := d.get(at)
	text := plainText(page)
	require.Contains(t, text, words.Say("recall.call", 1, 1))
	require.Contains(t, text, words.Say("recall.fetch", 2, 2))
	require.Contains(t, text, "Received 3 = given 1 + still out 2")
	press := func(event string) string {
		m := regexp.MustCompile(`href="(/write/`+event+`[^"]*)"`).FindAllStringSubmatch(d.get(at), -1)
		require.NotEmpty(t, m, event)
		return html.UnescapeString(m[len(m)-1][1])
	}
	d.fill(press("client_called"), "case", id, "product", d.product(), "batch", "H-2207", "reached", "yes", "text", "foal is well")
	require.Contains(t, plainText(d.get(at)), words.Say("recall.call", 0, 1))
	all := d.get(press("bags_pulled"))
	for _, b := range d.inStock() {
		require.Contains(t, all, b, "the form names every bag that is still out")
	}
	d.fill(press("bags_pulled"), "bags", d.inStock()[0], "bags", d.inStock()[1])
	require.Contains(t, plainText(d.get(at)), words.Say("recall.fetch", 0, 2))
	require.Contains(t, d.get("/clinic/recall/file?product=Foal+plasma&batch=H-2207"), ",900,")
}

// inStock lists the numbers of the bags in stock.
func (d *laptop) inStock() (ids []string) {
	d.t.Helper()
	out, err := d.site.Stock.ListStock(d.t.Context(), &pb.ListStockRequest{})
	require.NoError(d.t, err)
	for _, b := range out.Bags {
		ids = append(ids, b.Bag)
	}
	return ids
}
