package web

import (
	"html"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// schedule asks for a reading of the north car each day, and for -18 C or colder.
func (d *laptop) schedule() {
	at := regexp.MustCompile(`href="(/correct/[^"]+)"`).FindStringSubmatch(d.get("/clinic/freezer?place=" + d.place))[1]
	code, _, body := d.send(at, d.asShown(d.get(at), "read_every_h", "24", "warmest_dc", "-18", "reason_why", "a schedule"))
	require.Equal(d.t, http.StatusSeeOther, code, plainText(body))
}

// readings notes one reading a day in the north car, but for the third; the last two are
// too warm.
func (d *laptop) readings() {
	for day, dc := range []int32{-225, -221, 0, -230, -224, -120, -155} {
		if dc != 0 {
			d.write(&pb.TemperatureRead{Place: d.place, NowDc: dc, LeastDc: new(dc - 12), MostDc: new(dc + 8)})
		}
		if day < 6 {
			d.clock.Advance(24 * time.Hour)
		}
	}
}

// A place day by day: its limit, its days, what was too warm; and the press that sets the
// bags aside opens the form with all of it typed, which saves as it stands.
func TestAFreezerIsReadDayByDay(t *testing.T) {
	d := newLaptop(t)
	bags := d.begin()
	d.schedule()
	at := "/clinic/freezer?place=" + d.place
	d.readings()
	page := d.get(at + "&month=2026-11")
	text := plainText(page)
	require.Contains(t, text, words.Say("freezer.no_limit", "Foal plasma", 3))
	require.Contains(t, text, words.Say("freezer.own_warmest", "-18 °C"))
	require.Equal(t, 2, strings.Count(d.get(at+"&month=2026-11")+d.get(at+"&month=2026-12"), `class="warm"`), "two days of the seven")
	require.Equal(t, 1, strings.Count(page+d.get(at+"&month=2026-12"), `class="missed"`), "one day of the seven")
	require.Contains(t, text, "-11.2 °C", "the warmest of the stretch")
	chart := regexp.MustCompile(`<img class="chart" src="([^"]+)"`).FindStringSubmatch(page)[1]
	require.Contains(t, d.get(chart+"?dark=1&narrow=1"), words.List("chart.readings")[2], "the limit is a line of the picture")

	require.Contains(t, text, words.BagNumber(bags[0])+" Foal plasma H-2207: lay here all that time", "why it is proposed")
	aside := html.UnescapeString(regexp.MustCompile(`href="(/write/place_warm[^"]+)"`).FindStringSubmatch(d.get(at))[1])
	form := d.get(aside)
	require.Contains(t, form, `value="-11.2"`)
	code, _, body := d.send(aside, d.asShown(form))
	require.Equal(t, http.StatusSeeOther, code, plainText(body))
	after := d.get(at)
	require.NotContains(t, after, "/write/place_warm", "told once")
	require.Contains(t, plainText(d.get("/bag/"+bags[0])), "quarantined")
}

// A reading that is overdue stands on the clinic's first page, until it is taken.
func TestAnOverdueReadingIsDue(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	due := words.Say("clinic.reading", "north car")
	require.NotContains(t, d.get("/clinic"), due, "nobody set a schedule")
	d.schedule()
	require.Contains(t, d.get("/clinic"), due, "it was never read")
	d.write(&pb.TemperatureRead{Place: d.place, NowDc: -200})
	require.NotContains(t, d.get("/clinic"), due)
	d.clock.Advance(49 * time.Hour)
	require.Contains(t, d.get("/clinic"), due)
}

// What waits for a decision is there by what set it aside, how it arrived included; and a
// place that was read too warm leads to where its bags are set aside.
func TestBagsThatArrivedWarmAreDecidedOn(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.schedule()
	d.write(&pb.TemperatureRead{Place: d.place, NowDc: -112})
	made := d.write(&pb.BagsReceived{Product: "Foal plasma", Batch: "H-2299", Expiry: "2028-09", VolumeMl: 950, Count: 2, Place: "north car", Arrived: pb.Arrival_ARRIVAL_SOFT}).Made
	page := d.get("/clinic/warm")
	require.Contains(t, plainText(page), words.Say("warm.place", "north car", 1))
	require.Contains(t, page, "/clinic/freezer?place="+d.place)
	require.Regexp(t, words.Say("warm.arrived")+`.*`+words.BagNumber(made[0]), plainText(page))
	to := html.UnescapeString(regexp.MustCompile(`href="(/write/quarantine_decided[^"]*)"`).FindStringSubmatch(page)[1])
	code, _, body := d.send(to, d.asShown(d.get(to), "reason", "the maker says they are good"))
	require.Equal(t, http.StatusSeeOther, code, plainText(body))
	require.NotContains(t, d.get("/clinic/warm"), `href="/bag/`+made[0])
}

// The file has every reading of the month, and its numbers.
func TestReadingsAreAFile(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.schedule()
	d.write(&pb.TemperatureRead{Place: d.place, NowDc: -225, MostDc: new(int32(-112))})
	csv := d.get("/clinic/freezer/file?place=" + d.place)
	require.Equal(t, 2, strings.Count(csv, "\r\n"))
	require.Regexp(t, `north car,2026-11-2\dT[^,]+,-22\.5,,-11\.2,warm,M\. Alder,[0-9a-f]{64}`, csv)
	require.Contains(t, d.get("/clinic/freezer?place="+d.place), words.Say("freezer.file"))
	code, _ := d.ask("/clinic/freezer?place=" + d.place + "&month=2026-13")
	require.Equal(t, 404, code)
}
