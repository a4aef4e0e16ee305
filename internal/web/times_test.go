package web

import (
	"net/http"
	"net/url"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestATypedTimeIsSaidBack: with its day and zone, before it is saved and after. A time
// that is a little ahead asks about the clock; none becomes yesterday's in silence.
func TestATypedTimeIsSaidBack(t *testing.T) {
	d := newLaptop(t) // 02:10 on Wednesday 25 Nov in Sydney
	d.begin()
	said := func(field, text string) string {
		t.Helper()
		return d.get("/when?" + url.Values{"field": {field}, "text": {text}}.Encode())
	}
	assert.Equal(t, "01:50 AEDT on Wed 25 Nov 2026", said("when", "01:50"))
	assert.Equal(t, "23:40 AEDT on Tue 24 Nov 2026", said("when", "23:40"), "the evening before")
	assert.Equal(t, "10:10 AEDT on Mon 23 Nov 2026", said("born_at", "40 h ago"))
	assert.Equal(t, "02:20 AEDT on Wed 25 Nov 2026, 10 min ahead. Is the clock right?", said("when", "02:20"))
	assert.Equal(t, "14:30 AEDT on Wed 25 Nov 2026", said("due_at", "14:30"), "what is due lies ahead")
	assert.Contains(t, said("when", "13:00"), "13:00 today is still to come: if yesterday was meant, type 2026-11-24 13:00")
	assert.Contains(t, said("when", "noon"), "noon")

	id := d.foal("Quiet Harbour")
	at := "/case/" + id
	d.fill(at+"/weigh", "weight_g", "50", "method", "scale", "happened_at", "01:50")
	assert.Contains(t, plainText(d.get("/barn")), "Time: 01:50 AEDT on Wed 25 Nov 2026")
	before := d.replica.Store.Records()
	for typed, asks := range map[string]string{"02:20": "Is the clock right?", "13:00": "if yesterday was meant, type 2026-11-24 13:00"} {
		code, _, body := d.send(at+"/weigh", d.fields(d.get(at+"/weigh"), "weight_g", "50", "method", "scale", "happened_at", typed))
		assert.Equal(t, http.StatusUnprocessableEntity, code, typed)
		assert.Contains(t, plainText(body), asks)
		assert.Equal(t, before, d.replica.Store.Records(), typed)
	}
	d.fill(at+"/weigh", "weight_g", "50", "method", "scale", "happened_at", "02:20", "override.future_time", "this laptop is slow")
	assert.Contains(t, plainText(d.get("/barn")), "Time: 02:20 AEDT on Wed 25 Nov 2026")

	open := []string{"kind", "foal", "dam_name", "Slate", "sex", "colt", "clock_checked", "yes", "born_at"}
	to := d.fill("/open", append(open, "40 h ago")...)
	assert.Contains(t, plainText(d.get(to)), "born 10:10 AEDT on Mon 23 Nov 2026")
	code, _, body := d.send("/open", d.fields(d.get("/open"), append(open, "02:20")...))
	require.Equal(t, http.StatusUnprocessableEntity, code, "a birth ahead of the clock is asked about too")
	assert.Contains(t, plainText(body), "Is the clock right?")
}
