package web

import (
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What a first load may weigh, as it is sent: over a laptop's hotspot, to a phone far
// down in a barn.
const (
	firstLoad     = 60 << 10
	urgentLoad    = 30 << 10
	looksOfANight = 12 // an hour of looks, all of them on the running sheet
)

// assetIn finds what a page loads beside itself.
var assetIn = regexp.MustCompile(` (?:href|src)="(/assets/[^"]+|/case/[^"]+\.svg[^"]*)"`)

// sent asks as a browser does and weighs what comes, and gives it unpacked.
func (d *laptop) sent(path string) (weight int, body string) {
	d.t.Helper()
	ask, err := http.NewRequestWithContext(d.t.Context(), http.MethodGet, d.server.URL+path, nil)
	require.NoError(d.t, err)
	ask.Header.Set("Accept-Encoding", "gzip, deflate, br, zstd")
	r, err := d.browser.Do(ask)
	require.NoError(d.t, err)
	raw, err := io.ReadAll(r.Body)
	require.NoError(d.t, err)
	require.NoError(d.t, r.Body.Close())
	require.Equal(d.t, http.StatusOK, r.StatusCode, path)
	return len(raw), d.get(path)
}

// TestAFirstLoadIsLight weighs every page with all that it loads.
func TestAFirstLoadIsLight(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	run := "/case/" + id + "/run"
	for range looksOfANight {
		d.clock.Advance(5 * time.Minute)
		d.fill(run, "temperature_dc", "38.2", "heart_rate", "98", "breathing_rate", "36", "given_ml", "19")
	}
	beside := map[string]int{}
	for _, p := range append(d.everyPage(id, bag), run) {
		if strings.Contains(p, ".svg") || strings.Contains(p, "/csv/") || p == "/case/"+id+"/vitals.svg" {
			continue // no page
		}
		weight, page := d.sent(p)
		for _, m := range assetIn.FindAllStringSubmatch(page, -1) {
			if _, known := beside[m[1]]; !known {
				beside[m[1]], _ = d.sent(m[1])
			}
			weight += beside[m[1]]
		}
		most := firstLoad
		if p == run || p == "/barn" {
			most = urgentLoad
		}
		assert.Less(t, weight, most, p)
	}
	require.Greater(t, len(beside), 3, "style, scripts and mark are among it")
}
