//go:build browser && axe

package web

import (
	"cmp"
	"context"
	"crypto/x509"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/replica"
	"thawtrail/internal/web/barn"
	pb "thawtrail/proto/thawtrail/v1"
)

// inspector shows pages to axe-core, whose file THAWTRAIL_AXE names: `.ci/run`
// fetches it.
type inspector struct {
	d    *laptop
	ctx  context.Context
	seen map[string]bool
}

// views are how each page is looked at. Contrast alone depends on the theme.
var views = []struct {
	width int64
	theme string
	rules string
}{
	{360, "light", everyRule}, {1440, "light", everyRule}, {360, "dark", contrast}, {1440, "dark", contrast},
}

const (
	everyRule = `["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]`
	contrast  = `{type: "rule", values: ["color-contrast"]}`
)

func newInspector(t *testing.T, d *laptop, compared *x509.Certificate) *inspector {
	file := os.Getenv("THAWTRAIL_AXE")
	require.NotEmpty(t, file, "name the file of axe-core in THAWTRAIL_AXE, or use .ci/run")
	axe, err := os.ReadFile(file)
	require.NoError(t, err)
	i := &inspector{d: d, ctx: chromiumFor(t, 20*time.Minute, compared), seen: map[string]bool{}}
	// Every page that is opened from now on has axe in it; our own rules of what a
	// page may load do not bind the browser's tools.
	require.NoError(t, chromedp.Do(i.ctx, chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: string(axe)})
		return err
	})))
	d.enter(i.ctx)
	return i
}

// inspect wants nothing found on a page, in any view, and no scrolling sideways.
func (i *inspector) inspect(name, path string) {
	t := i.d.t
	t.Helper()
	i.seen[name] = true
	address := i.d.server.URL + path
	if strings.HasPrefix(path, "https:") { // what a phone sees
		address = path
	}
	require.NoError(t, chromedp.Do(i.ctx, chromedp.Navigate(address)))
	for _, v := range views {
		require.NoError(t, chromedp.Do(i.ctx, chromedp.EmulateViewport(v.width, 900), chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
			_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: v.theme}}})
			return err
		})))
		where := fmt.Sprintf("%s (%s), %d px, %s", name, path, v.width, v.theme)
		found, err := chromedp.Run(i.ctx, chromedp.Evaluate[string](`axe.run({runOnly: `+v.rules+`, resultTypes: ["violations"]}).then(r => r.violations.map(
			v => v.impact + " " + v.id + ": " + v.nodes.map(n => n.target + " " + n.failureSummary).join(" | ")).join("\n"))`, chromedp.EvalAwaitPromise))
		require.NoError(t, err, where)
		assert.Empty(t, found, where)
		wide, err := chromedp.Run(i.ctx, chromedp.Evaluate[int64](`document.documentElement.scrollWidth`))
		require.NoError(t, err, where)
		assert.LessOrEqual(t, wide, v.width, "%s scrolls sideways", where)
	}
}

// inspectLocked looks at what PINs and the lock add to the pages, while a case runs.
func (i *inspector) inspectLocked(id string) {
	t, d := i.d.t, i.d
	t.Helper()
	d.share()
	d.unlockTab(i.ctx)
	i.inspect("pin", "/pin")
	i.inspect("write", "/write/bag_discarded")
	require.NoError(t, chromedp.Do(i.ctx, chromedp.Navigate(d.server.URL+"/barn"), chromedp.Click(`.switch summary`), chromedp.Click(`form[action="/lock"] button`)))
	until(t, i.ctx, "h1", "Locked")
	i.inspect("locked", "/locked")
	for _, step := range []string{"run", "slower", "clamp", "treat"} {
		i.inspect(step, "/case/"+id+"/"+step)
	}
	require.NoError(t, chromedp.Do(i.ctx, chromedp.Navigate(d.server.URL+"/locked"), chromedp.Click(`form[action$="/clamp"] button`)))
	until(t, i.ctx, "main", "The clamp is shut")
	d.unlockTab(i.ctx)
	i.inspect("sign", "/sign")
	i.inspect("unproven", "/owner/unproven")
}

// templateOf names the templates of pages without a case.
var templateOf = map[string]string{
	"/barn": "now", "/open": "open", "/cases": "cases", "/blank": "blank", "/another": "another", "/clinic": "clinic", "/clinic/stock": "stock", "/clinic/levels": "levels",
	"/clinic/receive": "receive", "/clinic/delivery": "delivery", "/clinic/import": "import", "/clinic/load": "load", "/clinic/count": "count", "/clinic/batches": "batches", "/clinic/hold": "hold",
	"/clinic/setup": "setup", "/clinic/begin": "begin", "/clinic/sheets": "carsheet", "/backup": "backup", "/owner/invite": "invite", "/owner": "owner", "/owner/doubts": "doubts", "/owner/people": "people", "/owner/late": "late",
	"/owner/unproven": "unproven", "/sign": "sign", "/takeover": "takeover", "/own-place": "ownplace",
	"/clinic/prices": "prices", "/clinic/charges": "charges", "/clinic/clients": "clients", "/clinic/horse": "horse",
}

// noneYet is a laptop on which no rehearsal was begun.
type noneYet struct{ replica.Rehearsals }

func (noneYet) State() (none replica.RehearsalState) { return none }
func (noneYet) Changed() <-chan struct{}             { return nil }

// TestEveryPageForEverybody follows a night, and shows every page to axe-core in
// the state in which it matters: at both widths, in both themes.
func TestEveryPageForEverybody(t *testing.T) {
	d := newLaptop(t)
	phones, certificate := d.letPhonesIn()
	i := newInspector(t, d, certificate)
	i.inspect("now", "/barn")
	id, bag := d.toBags()
	at := "/case/" + id
	i.inspect("dose", at+"/dose?place="+d.place)
	i.inspect("bath", at+"/bath")
	d.toBath(id, bag)
	i.inspect("thaw", at+"/thaw")
	d.fromBath(id, bag)
	d.fill(at+"/run", "temperature_dc", "39.4", "heart_rate", "98", "breathing_rate", "36", "given_ml", "6")
	for slug, st := range barn.CaseSteps {
		i.inspect(cmp.Or(st.Template, "step"), at+"/"+slug)
	}
	horse := "/case/" + strings.Split(d.fill("/open", "kind", "horse", "patient_name", "Grey Wren", "clock_checked", "yes"), "/")[2]
	d.fill(horse+"/look", "total_protein_dg_per_l", "40")
	d.fill(horse+"/weigh", "weight_g", "422", "method", "tape")
	i.inspect("protein", horse+"/protein?target_tp=45&donor_tp=70")
	for slug, st := range barn.CaseSteps {
		if st.Adult != nil {
			i.inspect(st.Adult.Template, horse+"/"+slug)
		}
	}
	full, err := d.site.Cases.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	for _, p := range []struct{ name, path string }{
		{"bag", "/bag/" + bag}, {"stick", at + "/stick"}, {"labels", "/clinic/labels?bag=" + bag}, {"load", "/clinic/load?place=" + d.place},
		{"count", "/clinic/count?place=" + d.place}, {"trouble", "/nowhere"}, {"write", "/write/product_card"}, {"write", "/write/protocol_set"},
		{"batch", "/clinic/batch?product=Foal+plasma&batch=H-2207"}, {"record", "/record/" + full.Timeline[0].Record},
	} {
		i.inspect(p.name, p.path)
	}
	for _, p := range allPages {
		if !strings.Contains(p, ".svg") {
			i.inspect(templateOf[strings.Split(p, "?")[0]], p)
		}
	}
	i.inspectLocked(id)
	// No open page: it would load itself again when the hold comes.
	require.NoError(t, chromedp.Do(i.ctx, chromedp.Navigate("about:blank")))
	d.fill("/clinic/hold", "product", "Foal plasma", "batch", "H2207", "reason", "maker called")
	i.inspect("takeover", at+"/run")
	require.NoError(t, chromedp.Do(i.ctx, chromedp.Click(`form[action="/seen"] button`)))
	until(t, i.ctx, "h1", "Running sheet")
	i.inspect("run", at+"/run")
	i.inspect("batches", "/clinic/batches")
	i.inspect("find", "/clinic/find?q=zzz")
	i.inspect("warm", "/clinic/warm")
	cold := d.write(&pb.PlaceAdded{Name: "cold store", Kind: pb.PlaceKind_PLACE_KIND_FREEZER, WarmestDc: new(int32(-180)), ReadEveryH: new(int32(24))}).Made[0]
	for _, dc := range []int32{-225, -112} {
		d.write(&pb.TemperatureRead{Place: cold, NowDc: dc, LeastDc: new(dc - 12), MostDc: new(dc + 8)})
		d.clock.Advance(time.Minute)
	}
	i.inspect("freezer", "/clinic/freezer?place="+cold)
	i.inspect("recall", "/clinic/recall?product=Foal+plasma&batch=H-2207")
	d.fill(at+"/finish", "given_ml", "940")
	i.inspect("rest", at+"/rest")
	i.inspect("stock", "/clinic/stock?q=plasma") // a row that is on hold, with its fold
	i.inspect("stock", "/clinic/stock?all=1")    // and who was given a bag
	weighed := d.write(&pb.PatientWeighed{Case: id, WeightG: 51_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	d.write(&pb.Corrected{Original: weighed.Record, Void: true, Reason: "the other foal"})
	i.inspect("corrections", "/owner/corrections")
	for _, row := range full.Timeline {
		i.inspect("correct", "/correct/"+row.Record)
	}
	i.inspect("correct", "/correct/"+weighed.Record)
	i.inspect("results", "/owner/results")
	d.site.Replica.Rehearsals = noneYet{}
	i.inspect("rehearse", "/rehearse")
	i.inspect("settings", "/clinic/settings")
	client, _ := d.aClient("P. Hollis", "0491 570 156", "Morning Tide", "Low Meadow", "G. Groom")
	i.inspect("clients", "/clinic/clients")
	i.inspect("client", "/clinic/client/"+client)
	i.inspect("bill", "/clinic/charges/"+id)
	i.inspect("horse", "/clinic/horse?horse=Morning+Tide")
	i.inspect("endperson", "/owner/person/"+d.author()+"/end")
	i.inspect("balance", "/owner/balance?from=2026-11&by=place")
	i.inspect("balancebags", "/owner/balance/bags?from=2026-11&by=place&group=north+car&line=opening")
	d.letIn("blue phone")
	code := d.phoneCode()
	i.inspect("phones", "/phones")
	i.inspect("pair", "https://"+phones+"/pair/"+code)
	i.inspect("person", "/owner/person/"+d.people()[0].Value)
	i.inspect("door", "/enter/used-before")
	files, err := filepath.Glob("*/templates/*.html")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".html")
		if name == "layout" || name == "parts" {
			continue
		}
		assert.True(t, i.seen[name], "no page of the template %q was looked at", name)
	}
}
