package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/bench/nights"
	"thawtrail/internal/event"
	"thawtrail/internal/store/index"
	"thawtrail/internal/web/site"
	pb "thawtrail/proto/thawtrail/v1"
)

// readIndex counts the folded states that are read, by kind of entity.
type readIndex struct {
	index.Index
	mu     sync.Mutex
	states map[string]int
}

func (x *readIndex) View(fn func(index.Reader) error) error {
	return x.Index.View(func(r index.Reader) error { return fn(readCounter{r, x}) })
}

func (x *readIndex) note(key []byte) {
	if entity, ok := strings.CutPrefix(string(key), "s/"); ok {
		kind, _, _ := strings.Cut(entity, "\x00")
		x.mu.Lock()
		defer x.mu.Unlock()
		x.states[kind]++
	}
}

// taken gives the counts since it was last asked.
func (x *readIndex) taken() map[string]int {
	x.mu.Lock()
	defer x.mu.Unlock()
	out := x.states
	x.states = map[string]int{}
	return out
}

type readCounter struct {
	index.Reader
	x *readIndex
}

func (r readCounter) Get(key []byte) ([]byte, bool, error) {
	r.x.note(key)
	return r.Reader.Get(key)
}

func (r readCounter) Scan(prefix, from []byte, reverse bool, fn func(key, value []byte) (bool, error)) error {
	return r.Reader.Scan(prefix, from, reverse, func(key, value []byte) (bool, error) {
		r.x.note(key)
		return fn(key, value)
	})
}

// filledLaptop is a laptop whose books hold n records of invented nights.
func filledLaptop(t testing.TB, n int64) (*laptop, *readIndex, nights.Known) {
	c := nights.NewClock(nights.First)
	x := &readIndex{Index: index.NewMemory(), states: map[string]int{}}
	d := newLaptopOver(t, c, x)
	d.begin()
	known, err := nights.Write(t.Context(), d.replica.Store, c, n)
	require.NoError(t, err)
	require.NoError(t, d.replica.Store.CatchUp(t.Context()))
	_, err = d.replica.Store.Settle(t.Context()) // what was gathered in memory goes where reads are counted
	require.NoError(t, err)
	return d, x, known
}

func tracePage(k nights.Known) string {
	return "/clinic/batch?" + url.Values{"product": {k.Product}, "batch": {k.Batch}}.Encode()
}

// A page reads the states of what it shows in full and of nothing else, however
// many records there are.
func TestPagesReadNoMoreThanTheyShow(t *testing.T) {
	d, x, known := filledLaptop(t, 8_000)
	var all map[string]int
	require.NoError(t, x.View(func(r index.Reader) error {
		return r.Scan([]byte("s/"), nil, false, func([]byte, []byte) (bool, error) { return true, nil })
	}))
	all = x.taken()
	require.Greater(t, all[event.KindBag], 300)
	require.Greater(t, all[event.KindCase], site.PageRows+50)
	const bagsOfBatch = 12
	for page, most := range map[string]map[string]int{
		"/barn":                             {event.KindCase: 8, event.KindBag: 8}, // the last case, and its bags
		"/cases":                            {event.KindCase: site.PageRows},
		"/case/" + known.Case:               {event.KindCase: 20, event.KindBag: 20},
		"/clinic":                           {event.KindCase: 8},
		"/clinic/stock":                     {},
		"/clinic/stock?all=1":               {event.KindCase: site.PageRows}, // whose patients had them
		"/clinic/load?place=" + known.Place: {},
		"/clinic/batches":                   {event.KindBatch: site.PageRows},
		"/clinic/batches?held=1":            {},
		tracePage(known):                    {event.KindBatch: 3, event.KindBag: bagsOfBatch, event.KindCase: 2 * bagsOfBatch},
		"/owner":                            {},
		"/owner?by=person":                  {},
		"/owner/doubts":                     {},
		"/owner/late":                       {event.KindCase: site.PageRows},
		"/owner/csv/use":                    {},
		"/owner/csv/bags":                   {},
	} {
		x.taken()
		d.get(page)
		got := x.taken()
		for _, kind := range []string{event.KindBag, event.KindCase, event.KindBatch} {
			assert.LessOrEqual(t, got[kind], most[kind], "%s: states of a %s", page, kind)
		}
	}
}

// Long lists come in parts that leave nothing out and tell nothing twice, and
// each part is a small page.
func TestLongListsComeInParts(t *testing.T) {
	d, _, _ := filledLaptop(t, 12_000)
	css, js := len(d.get(site.AssetAddress("page.css"))), len(d.get(site.AssetAddress("page.js")))+len(d.get(site.AssetAddress("press.js")))
	onward := regexp.MustCompile(`rel="next" href="([^"]+)"`)
	for first, c := range map[string]struct {
		link string
		want int
	}{
		"/cases":              {`<td><a href="/case/([0-9a-f]{16})"`, len(d.column("cases", 0))},
		"/clinic/stock?all=1": {`<a href="/bag/([0-9A-Z]{9})"`, d.count("bags", 6, "given")},
		"/clinic/batches":     {`/clinic/batch\?[^"]*batch=(H[0-9-]+)"`, len(d.batchCodes())},
	} {
		seen, parts := map[string]bool{}, 0
		for page := first; page != ""; parts++ {
			body := d.get(page)
			assert.Less(t, len(body)+css+js, 100<<10, page)
			for _, m := range regexp.MustCompile(c.link).FindAllStringSubmatch(body, -1) {
				assert.False(t, seen[m[1]], "%s tells %s twice", first, m[1])
				seen[m[1]] = true
			}
			page = ""
			if m := onward.FindStringSubmatch(body); m != nil {
				page = strings.ReplaceAll(m[1], "&amp;", "&")
			}
		}
		assert.Len(t, seen, c.want, first)
		assert.Greater(t, c.want, 0, first)
		if first != "/clinic/batches" {
			assert.Greater(t, parts, 2, first)
		}
	}
	code, body := d.ask("/cases?after=nonsense")
	assert.Equal(t, http.StatusNotFound, code)
	assert.Contains(t, plainText(body), "nonsense")
}

// column is a column of one of the owner's files, without its head.
func (d *laptop) column(file string, i int) []string {
	var out []string
	for _, line := range strings.Split(strings.TrimSpace(d.get("/owner/csv/"+file)), "\r\n")[1:] {
		out = append(out, strings.Split(line, ",")[i])
	}
	return out
}

func (d *laptop) count(file string, i int, value string) (n int) {
	for _, v := range d.column(file, i) {
		if v == value {
			n++
		}
	}
	return n
}

func (d *laptop) batchCodes() []string {
	out, err := d.site.Stock.ListBatches(d.t.Context(), &pb.ListBatchesRequest{})
	require.NoError(d.t, err)
	var codes []string
	for _, b := range out.Batches {
		codes = append(codes, b.Batch)
	}
	return codes
}

// BenchmarkLargePages makes the main pages over 100,000 records, without a
// network.
func BenchmarkLargePages(b *testing.B) {
	d, _, known := filledLaptop(b, 100_000)
	u, err := url.Parse(d.server.URL)
	require.NoError(b, err)
	for name, page := range map[string]string{
		"barn": "/barn", "cases": "/cases", "dose": "/case/" + known.Case + "/dose", "sheet": "/case/" + known.Case + "/sheet", "clinic": "/clinic", "stock": "/clinic/stock",
		"gone": "/clinic/stock?all=1", "batches": "/clinic/batches", "trace": tracePage(known), "owner": "/owner", "doubts": "/owner/doubts", "late": "/owner/late",
	} {
		b.Run(name, func(b *testing.B) {
			size := 0
			for b.Loop() {
				r := httptest.NewRequest(http.MethodGet, page, nil)
				r.Host = "127.0.0.1"
				for _, c := range d.browser.Jar.Cookies(u) {
					r.AddCookie(c)
				}
				w := httptest.NewRecorder()
				d.site.ServeHTTP(w, r)
				require.Equal(b, http.StatusOK, w.Code)
				size = w.Body.Len()
			}
			b.ReportMetric(float64(size), "bytes/page")
		})
	}
}
