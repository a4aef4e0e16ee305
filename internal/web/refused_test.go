package web

import (
	"net/http"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestARefusalIsInSight: the top of the page has a line for each field that does not
// fit, each leads to its field, the first of them takes the focus, and what was typed
// stays.
func TestARefusalIsInSight(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	at := "/case/" + id + "/run"
	before := d.replica.Store.Records()
	code, _, body := d.send(at, d.fields(d.get(at), "temperature_dc", "38.2", "heart_rate", "ninety", "breathing_rate", "-4", "given_ml", "12", "happened_at", "25:10"))
	require.Equal(t, http.StatusUnprocessableEntity, code)
	require.Equal(t, before, d.replica.Store.Records())
	top := between(body, `id="not-saved"`, "</div>")
	said := plainText("<div " + top)
	assert.Contains(t, said, "Not saved: 3 points")
	fields := regexp.MustCompile(`href="#([^"]+)"`).FindAllStringSubmatch(top, -1)
	require.Len(t, fields, 3, said)
	for i, want := range []string{"vitals_noted-heart_rate", "vitals_noted-breathing_rate", "vitals_noted-when"} {
		assert.Equal(t, want, fields[i][1])
		assert.Equal(t, 1, strings.Count(body, `id="`+want+`"`), "the line leads to its field")
	}
	assert.Regexp(t, `id="vitals_noted-heart_rate"[^>]* autofocus`, body)
	assert.Equal(t, 1, strings.Count(body, " autofocus"), "one field takes the focus")
	for _, typed := range []string{`value="38.2"`, `value="ninety"`, `value="-4"`, `value="12"`, `value="25:10"`} {
		assert.Contains(t, body, typed, "what was typed stays")
	}

	_, _, body = d.send(at, d.fields(d.get(at), "heart_rate", "ninety"))
	assert.Contains(t, plainText("<div "+between(body, `id="not-saved"`, "</div>")), "Not saved: Heart")
}

// TestAnEmptyLookIsNoRecord: a press on the form with nothing in it says so.
func TestAnEmptyLookIsNoRecord(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	at := "/case/" + id + "/run"
	before := d.replica.Store.Records()
	code, _, body := d.send(at, d.fields(d.get(at)))
	require.Equal(t, http.StatusUnprocessableEntity, code)
	require.Contains(t, plainText(body), "something that was seen")
	require.Equal(t, before, d.replica.Store.Records())
}

// between is the part of a page from one mark to the next one behind it.
func between(page, from, to string) string {
	_, rest, _ := strings.Cut(page, from)
	part, _, _ := strings.Cut(rest, to)
	return part
}
