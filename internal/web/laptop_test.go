package web

import (
	"html"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/replica"
	"thawtrail/internal/replica/replicatest"
	"thawtrail/internal/store/index"
	"thawtrail/internal/web/site"
	pb "thawtrail/proto/thawtrail/v1"
)

var night = time.Date(2026, 11, 24, 15, 10, 0, 0, time.UTC)

// laptop is a laptop alone with its pages, and a browser that is signed in.
type laptop struct {
	t       testing.TB
	clock   *clock.Manual
	replica *replica.Replica
	site    *site.Site
	server  *httptest.Server
	browser *http.Client
	place   string
}

func newLaptop(t testing.TB) *laptop {
	t.Helper()
	c := clock.NewManual(night)
	d := newLaptopOver(t, c, index.NewMemory())
	d.clock = c
	return d
}

// newLaptopOver is a laptop with another clock and index.
func newLaptopOver(t testing.TB, c clock.Clock, ix index.Index) *laptop {
	return newLaptopOf(t, c, ix, 7, "north laptop")
}

// newLaptopOf is one laptop of several.
func newLaptopOf(t testing.TB, c clock.Clock, ix index.Index, key byte, name string) *laptop {
	t.Helper()
	r := replicatest.New(t, c, ix, key, name)
	site, err := New(site.Config{Replica: r, Clock: c})
	require.NoError(t, err)
	d := &laptop{t: t, replica: r, site: site, server: httptest.NewServer(site)}
	t.Cleanup(d.close)
	d.browser = d.newBrowser()
	return d
}

// close ends the server: no page comes back, then the streams of those that are
// open still end. Close alone would wait for them without end.
func (d *laptop) close() {
	_ = d.server.Listener.Close() // Close closes it once more
	d.server.CloseClientConnections()
	d.server.Close()
}

// newBrowser is a browser that came in by a one-time address.
func (d *laptop) newBrowser() *http.Client {
	jar, err := cookiejar.New(nil)
	require.NoError(d.t, err)
	b := &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	in, err := d.site.Entrance()
	require.NoError(d.t, err)
	u, err := url.Parse(in)
	require.NoError(d.t, err)
	r, err := b.Get(d.server.URL + u.Path)
	require.NoError(d.t, err)
	require.Equal(d.t, http.StatusOK, r.StatusCode)
	require.NoError(d.t, r.Body.Close())
	return b
}

// get reads a page and wants it well.
func (d *laptop) get(path string) string {
	d.t.Helper()
	code, body := d.ask(path)
	require.Equal(d.t, http.StatusOK, code, "%s\n%s", path, plainText(body))
	return body
}

func (d *laptop) ask(path string) (int, string) {
	d.t.Helper()
	r, err := d.browser.Get(d.server.URL + path)
	require.NoError(d.t, err)
	raw, err := io.ReadAll(r.Body)
	require.NoError(d.t, err)
	require.NoError(d.t, r.Body.Close())
	for hops := 0; r.StatusCode == http.StatusSeeOther && hops < 3; hops++ {
		return d.ask(r.Header.Get("Location"))
	}
	return r.StatusCode, string(raw)
}

var (
	tokenIn   = regexp.MustCompile(`name="token" value="([^"]+)"`)
	requestIn = regexp.MustCompile(`name="request_id" value="([^"]+)"`)
	tags      = regexp.MustCompile(`(?s)<script.*?</script>|<[^>]*>`)
	spaces    = regexp.MustCompile(`\s+`)
)

// plainText is what a page says.
func plainText(page string) string {
	return spaces.ReplaceAllString(html.UnescapeString(tags.ReplaceAllString(page, " ")), " ")
}

// fields are what a person fills in, with the hidden fields of the page's form.
func (d *laptop) fields(page string, pairs ...string) url.Values {
	v := url.Values{}
	if m := tokenIn.FindStringSubmatch(page); m != nil {
		v.Set("token", m[1])
	}
	if m := requestIn.FindStringSubmatch(page); m != nil {
		v.Set("request_id", m[1])
	}
	for i := 0; i+1 < len(pairs); i += 2 {
		v.Add(pairs[i], pairs[i+1])
	}
	return v
}

// send posts a form as a browser does.
func (d *laptop) send(path string, v url.Values) (code int, location, body string) {
	d.t.Helper()
	ask, err := http.NewRequestWithContext(d.t.Context(), http.MethodPost, d.server.URL+path, strings.NewReader(v.Encode()))
	require.NoError(d.t, err)
	ask.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	ask.Header.Set("Origin", d.server.URL)
	r, err := d.browser.Do(ask)
	require.NoError(d.t, err)
	raw, err := io.ReadAll(r.Body)
	require.NoError(d.t, err)
	require.NoError(d.t, r.Body.Close())
	return r.StatusCode, r.Header.Get("Location"), string(raw)
}

// fill opens a page, fills in its form and wants it saved; it gives where the
// page leads.
func (d *laptop) fill(path string, pairs ...string) string {
	d.t.Helper()
	code, to, body := d.send(path, d.fields(d.get(path), pairs...))
	require.Equal(d.t, http.StatusSeeOther, code, "%s\n%s", path, plainText(body))
	return to
}

// write makes a record without a page.
func (d *laptop) write(m proto.Message) *pb.WriteResponse {
	d.t.Helper()
	out, err := d.try(m)
	require.NoError(d.t, err)
	return out
}

// try writes one that may be refused.
func (d *laptop) try(m proto.Message) (*pb.WriteResponse, error) {
	d.t.Helper()
	for _, s := range event.All() {
		if s.Message() == m.ProtoReflect().Descriptor() {
			e, err := event.Wrap(s.Type, m)
			require.NoError(d.t, err)
			return d.site.Records.Write(d.t.Context(), &pb.WriteRequest{Entry: e, Author: d.author()})
		}
	}
	d.t.Fatalf("no event for %T", m)
	return nil, nil
}

// codesOf are the codes of an answer's cautions.
func codesOf(out *pb.WriteResponse) (codes []string) {
	for _, c := range out.Cautions {
		codes = append(codes, c.Code)
	}
	return codes
}

func (d *laptop) author() string {
	out, err := d.site.Audit.ListPeople(d.t.Context(), &pb.ListPeopleRequest{})
	require.NoError(d.t, err)
	if len(out.People) == 0 {
		return ""
	}
	return "M. Alder"
}

const cardText = "Clamp shut. Leave the catheter in.\nadrenaline | 0.01 mg/kg | 1 mg/mL | vein, slowly | once; call the vet\nflunixin | 1.1 mg/kg | 50 mg/mL | vein | "

// begin founds a practice with products, places, a protocol and bags.
func (d *laptop) begin() (bags []string) {
	d.write(&pb.PracticeFounded{Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", OwnerName: "M. Alder"})
	d.write(&pb.PlaceAdded{Name: "clinic freezer", Kind: pb.PlaceKind_PLACE_KIND_FREEZER})
	d.place = d.write(&pb.PlaceAdded{Name: "north car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER}).Made[0]
	d.write(&pb.ProductCard{
		Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN, SupportTelephone: "1800 000 000", Species: "horse",
		VolumeMl: new(int32(950)), LeastIggCgPerL: new(int32(1800)), Thaw: "Thaw in water of no more than 37 C.", Rate: "Slowly at first.",
		Dose: "One bag for a foal of 50 kg.", Storage: "-18 C or colder", CheckedBy: "J. Reed",
	})
	d.write(&pb.ProtocolSet{Name: "newborn foal", ReactionCard: cardText, CheckedBy: "J. Reed"})
	d.write(&pb.KitStocked{Place: "north car", Item: pb.KitItem_KIT_ITEM_FILTERED_SET, Count: 4})
	return d.write(&pb.BagsReceived{
		Product: "Foal plasma", Batch: "H-2207", Expiry: "2028-03", VolumeMl: 950, Count: 3, Place: "north car", CostMinor: new(int64(31000)),
	}).Made
}

// foal opens a case by its page and gives its id.
func (d *laptop) foal(dam string) string {
	to := d.fill("/open", "kind", "foal", "dam_name", dam, "sex", "filly", "colour", "bay", "markings", "star, near hind sock", "box", "4",
		"yard", "Low Meadow", "born_at", "-14h", "clock_checked", "yes")
	require.True(d.t, strings.HasSuffix(to, "/look"), to)
	return strings.Split(to, "/")[2]
}
