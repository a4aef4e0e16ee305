//go:build browser

package night

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"thawtrail/internal/rehearse"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/web/webtest"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestAWholeRehearsal goes through a rehearsal by its pages, from the call to the
// clinic's having it all, and throws it away. A hold, a lost link and a reaction are met
// on the way; an alarm of the real laptop beside it is told.
func TestAWholeRehearsal(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	real := begin(t)
	door, err := local.OfData(real.north.p.Data)
	require.NoError(t, err)
	places := make(chan rehearse.Place, 4)
	ended := make(chan error, 1)
	go func() {
		ended <- rehearse.Run(t.Context(), rehearse.Config{
			Real: door.Address, RealPages: "http://" + real.north.p.Pages, Calm: time.Second, Zone: "Australia/Sydney",
			Ready: func(p rehearse.Place) { places <- p },
		})
	}()
	first := where(t, places)
	d := &person{Tab: webtest.NewTab(t, webtest.Chromium(t, 9*time.Minute)), m: &machine{t: t}, weighs: "45", igg: "5.5", drops: "17"}
	d.Open(first.Pages)
	d.Press("Go on")
	d.told("The telephone rings", "barn")
	year := time.Now().Year() + 1

	d.meet("Copper Lantern", "colt", "7")
	d.told("At the foal you find", "dose")
	d.plan()
	d.Sees("h1", "Agreement")
	d.Type("amount_minor", "980")
	d.Type("by", "P. Hollis")
	d.Type("how", "in person")
	d.PressIn("main", "Save")
	d.thaw("r1101", fmt.Sprintf("%d-04", year))

	// The maker calls while that bag is in the bath.
	d.takenOverBy(d.bag)
	d.told("has put the batch in your bath on hold", "hold")
	d.Press("I have read this; go on")
	held := d.bag
	d.Open(d.origin() + d.address + "/dose")
	d.plan()
	require.NotEqual(t, held, d.bag)
	d.thaw("r1102", fmt.Sprintf("%d-11", year))

	// The link is lost, and time is let pass.
	d.told("The link is lost", "lost")
	d.Press("Script and clock")
	d.Sees("#scene", "A lost link: met")
	d.shoot("script")
	d.Press("Let 20 minutes pass")
	d.Press("Let 5 minutes pass")
	d.Sees("main", "25 minutes ahead")
	d.Press("On with the night")
	d.Open(d.origin() + d.address + "/thaw")
	d.run()
	d.told("The plasma runs and the foal is quiet", "run")
	d.Sees(".fresh", "unsent")
	for _, given := range []string{"6", "12"} {
		d.passes("5 minutes")
		d.look("38.4", "98", "34", given)
	}

	// The foal reacts; at the real laptop beside it a patient waits.
	d.told("has hives on its neck", "reaction")
	d.passes("5 minutes")
	d.look("39.2", "140", "64", "19")
	d.Sees("main", "Alarm")
	real.overdue("Real Meadow")
	d.Sees("#rehearsal", "Real, not the rehearsal: overdue: vitals: foal of Real Meadow")
	d.Sees("#rehearsal .alarm a", "To the real pages")
	d.shoot("alarm")
	d.KeyOn(kb.F9)
	d.told("The clamp is shut", "treat")
	d.PressIn(".doses", "Given now")
	d.Type("given_ml", "19")
	d.Type("reason", "hives")
	d.PressIn("form", "Stop this bag")
	d.told("The clinic has all that you entered", "after")
	d.Misses(".fresh", "unsent")
	d.Open(d.origin() + d.address + "/sheet")
	d.shoot("sheet")

	d.everyPageIsMarked()

	// Thrown away and begun again; thrown away for good.
	d.Open(d.origin() + "/barn")
	d.Press("Script and clock")
	d.Press("Throw away and begin again")
	d.Sees("h1", "Thrown away")
	d.shoot("thrown")
	second := where(t, places)
	require.NotEqual(t, first.Address, second.Address)
	d.Press("Open the rehearsal")
	d.Press("Go on")
	d.told("The telephone rings", "again")
	d.Sees("#now", "Nothing runs")
	d.Press("Script and clock")
	d.Press("Throw away and end")
	d.Sees("h1", "Nothing of this rehearsal is left")
	select {
	case err := <-ended:
		require.NoError(t, err)
	case <-time.After(within):
		t.Fatal("it did not end")
	}
	left, err := os.ReadDir(os.TempDir())
	require.NoError(t, err)
	for _, f := range left {
		require.NotContains(t, f.Name(), "rehearsal", "nothing is left on the disk")
	}
}

// unmarked lists, in the page, what does not say that it is a rehearsal: the page, its
// print, and each line.
const unmarked = `(() => {
  const bad = [], says = e => [e, ...e.querySelectorAll("*")].some(x => ["::before", "::after"].some(p => getComputedStyle(x, p).content.includes("Rehearsal")));
  const lines = [...document.querySelectorAll("h1, main tbody tr, main li, .patient, .said, .caution")].filter(e => e.getClientRects().length > 0 && !e.closest(".rehearses"));
  for (const e of lines) if (!says(e)) bad.push(e.outerHTML.slice(0, 120));
  const band = document.querySelector(".rehearses");
  if (!band || getComputedStyle(band).display === "none" || !band.innerText.includes("nothing here is real")) bad.push("no band");
  if (!document.title.startsWith("Rehearsal: ")) bad.push("the title");
  if (document.documentElement.scrollWidth > document.documentElement.clientWidth) bad.push("is " + document.documentElement.scrollWidth + " px wide");
  return [lines.length, ...bad];
})()`

// everyPageIsMarked follows every link that there is, on a phone's screen and on paper.
func (d *person) everyPageIsMarked() {
	t := d.m.t
	seen, wait, lines := map[string]bool{}, []string{"/barn", "/clinic", "/owner", "/case/" + strings.TrimPrefix(d.address, "/case/") + "/sheet"}, 0
	show := func(media string, width int64) chromedp.Action[chromedp.Void] {
		return chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
			_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: media})
			return errors.Join(err, chromedp.Do(ctx, chromedp.EmulateViewport(width, 844)))
		})
	}
	require.NoError(t, chromedp.Do(d.Context(), show("screen", 390)))
	for len(wait) > 0 && len(seen) < 150 {
		path := wait[0]
		wait = wait[1:]
		if seen[path] {
			continue
		}
		seen[path] = true
		require.NoError(t, chromedp.Do(d.Context(), chromedp.Navigate(d.origin()+path)), path)
		for media, width := range map[string]int64{"screen": 390, "print": 794} { // a sheet of A4 is as wide as that
			require.NoError(t, chromedp.Do(d.Context(), show(media, width)))
			found := webtest.Ask[[]any](d.Tab, unmarked)
			assert.Empty(t, found[1:], "%s on %s", path, media)
			lines += int(found[0].(float64))
		}
		require.NoError(t, chromedp.Do(d.Context(), show("screen", 390)))
		for _, to := range webtest.Ask[[]string](d.Tab, `[...document.querySelectorAll('a[href^="/"]:not([download])')].map(a => a.getAttribute("href").split("#")[0])`) {
			if !seen[to] && !strings.Contains(to, "/csv/") && !strings.Contains(to, "/stick/") && !strings.HasPrefix(to, "/record/") && !strings.HasPrefix(to, "/correct/") {
				wait = append(wait, to)
			}
		}
	}
	require.NoError(t, chromedp.Do(d.Context(), show("", 1280)))
	require.Greater(t, len(seen), 60)
	require.Greater(t, lines, 500)
	text := webtest.Ask[string](d.Tab, `fetch("/owner/csv/use").then(r => r.text().then(t => r.headers.get("Content-Disposition") + "\n" + t.trim()))`)
	for i, line := range strings.Split(text, "\n") {
		require.Contains(t, line, "Rehearsal", "line %d of a file", i)
	}
}

// where waits until a rehearsal answers.
func where(t *testing.T, places <-chan rehearse.Place) rehearse.Place {
	t.Helper()
	select {
	case p := <-places:
		return p
	case <-time.After(within):
		t.Fatal("no rehearsal answers")
	}
	return rehearse.Place{}
}

// told wants the script to say something on the page that is open, and the page marked.
func (d *person) told(text, picture string) {
	d.m.t.Helper()
	d.Sees("#rehearsal", text)
	d.Sees("#rehearsal", "Rehearsal: nothing here is real.")
	require.Contains(d.m.t, webtest.Ask[string](d.Tab, "document.title"), "Rehearsal: ")
	d.shoot(picture)
}

func (d *person) origin() string { return webtest.Ask[string](d.Tab, "location.origin") }

// passes lets time go by, and comes back to the running sheet.
func (d *person) passes(time string) {
	d.Press("Script and clock")
	d.Press("Let " + time + " pass")
	d.Open(d.origin() + d.address + "/run")
}

// shoot takes a picture of the page where a folder is named: a phone's and a laptop's,
// by day and by night.
func (d *person) shoot(name string) {
	folder := os.Getenv("THAWTRAIL_SHOTS")
	if folder == "" {
		return
	}
	take := func(width, height int64, theme, suffix string) {
		require.NoError(d.m.t, chromedp.Do(d.Context(), chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
			_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: theme}}})
			return err
		}), chromedp.EmulateViewport(width, height), chromedp.Sleep(150*time.Millisecond)))
		png, err := chromedp.Run(d.Context(), chromedp.FullScreenshot(100))
		require.NoError(d.m.t, err)
		require.NoError(d.m.t, os.WriteFile(filepath.Join(folder, "rehearse-"+name+"-"+suffix+".png"), png, 0o600))
	}
	take(390, 844, "dark", "phone-dark")
	take(390, 844, "light", "phone")
	take(1280, 800, "dark", "wide-dark")
	take(1280, 800, "light", "wide")
	d.Reload() // the picture has changed the size of the page
}

// overdue lets a patient of the real laptop wait for its look.
func (p *practice) overdue(dam string) {
	p.t.Helper()
	records := pb.NewRecordServiceClient(dial(p.t, p.north.p.Data))
	write := func(entry *pb.Entry) []string {
		out, err := records.Write(p.t.Context(), &pb.WriteRequest{Entry: entry, Author: owner, Overrides: []*pb.Override{
			{Code: "start_not_checked", Reason: "checked by eye"}, {Code: "start_not_thawed", Reason: "thawed by hand"},
		}})
		require.NoError(p.t, err)
		return out.Made
	}
	write(&pb.Entry{Body: &pb.Entry_PlaceAdded{PlaceAdded: &pb.PlaceAdded{Name: "car", Kind: pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER}}})
	write(&pb.Entry{Body: &pb.Entry_ProductCard{ProductCard: &pb.ProductCard{Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN}}})
	id := write(&pb.Entry{Body: &pb.Entry_CaseOpened{CaseOpened: &pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: dam}}})[0]
	bag := write(&pb.Entry{Body: &pb.Entry_BagFound{BagFound: &pb.BagFound{
		Product: "Foal plasma", Batch: "H2207", Expiry: "2028-03", VolumeMl: 950, Place: "car",
	}}})[0]
	write(&pb.Entry{Body: &pb.Entry_TransfusionStarted{TransfusionStarted: &pb.TransfusionStarted{Case: id, Bag: bag}}})
	p.pass(30 * time.Minute)
}
