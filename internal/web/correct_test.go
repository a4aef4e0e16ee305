package web

import (
	"html"
	"net/http"
	"net/url"
	"regexp"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

var (
	correctIn = regexp.MustCompile(`href="(/correct/[0-9a-f]{64})"`)
	inputIn   = regexp.MustCompile(`(?s)<form[^>]*id="form-[a-z_]*".*?</form>`)
	valueIn   = regexp.MustCompile(`<input id="[^"]*" name="([^"]+)" value="([^"]*)"`)
	areaIn    = regexp.MustCompile(`(?s)<textarea[^>]*name="([^"]+)"[^>]*>(.*?)</textarea>`)
	chosenIn  = regexp.MustCompile(`<input type="(?:radio|checkbox)" (?:id="[^"]*" )?name="([^"]+)" value="([^"]*)" checked`)
	pickedIn  = regexp.MustCompile(`(?s)<select id="[^"]*" name="([^"]+)".*?</select>`)
	optionIn  = regexp.MustCompile(`<option value="([^"]*)" selected`)
)

// asShown is what a browser sends when nothing in the first form of a page was touched.
func (d *laptop) asShown(page string, pairs ...string) url.Values {
	form := inputIn.FindString(page)
	v := d.fields(form)
	for _, of := range []*regexp.Regexp{valueIn, areaIn, chosenIn} {
		for _, m := range of.FindAllStringSubmatch(form, -1) {
			v.Add(m[1], html.UnescapeString(m[2]))
		}
	}
	for _, m := range pickedIn.FindAllStringSubmatch(form, -1) {
		if o := optionIn.FindStringSubmatch(m[0]); o != nil {
			v.Add(m[1], html.UnescapeString(o[1]))
		}
	}
	for i := 0; i+1 < len(pairs); i += 2 {
		v.Set(pairs[i], pairs[i+1])
	}
	return v
}

// TestEveryLineLeadsToItsCorrection opens 'Correct' on every line of a case and of a bag.
// What it shows is what stands: sent as it is, nothing was changed and nothing is saved.
func TestEveryLineLeadsToItsCorrection(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	met := map[string]bool{}
	for _, page := range []string{"/case/" + id + "/sheet", "/bag/" + bag} {
		for _, m := range correctIn.FindAllStringSubmatch(d.get(page), -1) {
			met[m[1]] = true
		}
	}
	require.Greater(t, len(met), 15)
	for address := range met {
		shown := d.get(address)
		code, _, again := d.send(address, d.asShown(shown, "reason_why", "nothing"))
		assert.Equal(t, http.StatusUnprocessableEntity, code, "%s\n%s", address, plainText(shown))
		assert.Contains(t, plainText(again), "Nothing was changed", address)
	}
}

// TestCorrectThis puts a weight right on its page: old beside new, a reason, and the
// case sheet tells it once. Then the entry is voided there.
func TestCorrectThis(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toBags()
	slip := d.write(&pb.PatientWeighed{Case: id, WeightG: 525_000, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE})
	address := "/correct/" + slip.Record
	shown := d.get(address)
	require.Contains(t, plainText(shown), "was 525", "old beside new")

	code, _, again := d.send(address, d.asShown(shown, "weight_g", "52.5"))
	require.Equal(t, http.StatusUnprocessableEntity, code)
	require.Contains(t, plainText(again), "Why it is corrected")
	require.Equal(t, "52.5", d.asShown(again).Get("weight_g"), "what was typed stays")

	code, to, _ := d.send(address, d.asShown(shown, "weight_g", "52.5", "reason_why", "a digit too many"))
	require.Equal(t, http.StatusSeeOther, code)
	require.Equal(t, "/case/"+id+"/sheet", to)
	sheet := plainText(d.get(to))
	require.Contains(t, sheet, "a digit too many")
	out, err := d.site.Cases.GetCase(t.Context(), &pb.GetCaseRequest{Case: id})
	require.NoError(t, err)
	require.Equal(t, 52.5, out.GetWeightKg())

	void := d.fields(d.get(address), "void", "yes", "reason_why", "the other foal")
	code, _, _ = d.send(address, void)
	require.Equal(t, http.StatusSeeOther, code)
	sheet = plainText(d.get(to))
	require.Contains(t, sheet, "Never happened")
	require.Contains(t, plainText(d.get(address)), "puts it back")
}

// TestUndoWithinAMinute takes an entry back by the press beside its answer. A minute later
// the press leads to the form, which asks why.
func TestUndoWithinAMinute(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toBags()
	weigh := func() string {
		to := d.fill("/write/patient_weighed?case="+id, "weight_g", "47", "method", "scale")
		page := d.get(to)
		require.Contains(t, page, `action="/undo"`)
		return regexp.MustCompile(`name="record" value="([0-9a-f]{64})"`).FindStringSubmatch(page)[1]
	}
	first := weigh()
	code, to, _ := d.send("/undo", d.fields(d.get("/barn"), "record", first, "back", "/case/"+id+"/sheet"))
	require.Equal(t, http.StatusSeeOther, code)
	require.Equal(t, "/case/"+id+"/sheet", to)
	require.Contains(t, plainText(d.get(to)), "taken back within a minute")

	second := weigh()
	d.clock.Advance(61 * time.Second)
	_, to, _ = d.send("/undo", d.fields(d.get("/barn"), "record", second, "back", "/barn"))
	require.Equal(t, "/correct/"+second, to)
	require.Contains(t, plainText(d.get(to)), "The minute is over")
}
