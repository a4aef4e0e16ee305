package web

import (
	"bytes"
	"io"
	"mime/multipart"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/clock"
	"thawtrail/internal/event"
	"thawtrail/internal/store"
	"thawtrail/internal/store/index"
	"thawtrail/internal/trust"
	pb "thawtrail/proto/thawtrail/v1"
)

var (
	rowsIn = regexp.MustCompile(`<li>([0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]{2})</li>`)
	codeIn = regexp.MustCompile(`class="big typed">([0-9A-Z-]+)</p>`)
	fileIn = regexp.MustCompile(`href="(/case/[^"]+/stick/[^"]+)" download`)
)

// second is a laptop that has never heard of anything.
func (d *laptop) second() *laptop {
	c := clock.NewManual(d.clock.Now())
	s := newLaptopOf(d.t, c, index.NewMemory(), 9, "south laptop")
	s.clock = c
	return s
}

// TestACaseIsTakenOverOnThePageByCode types what stands on one page into another.
func TestACaseIsTakenOverOnThePageByCode(t *testing.T) {
	d := newLaptop(t)
	id, bag := d.toRunning()
	d.fill("/case/"+id+"/run", "temperature_dc", "38.2", "heart_rate", "98", "breathing_rate", "36", "given_ml", "25")
	var rows []string
	for _, m := range rowsIn.FindAllStringSubmatch(d.get("/case/"+id+"/handover"), -1) {
		rows = append(rows, m[1])
	}
	require.Len(t, rows, 4)
	s := d.second()
	typed := []string{"row1", rows[0], "row2", strings.ToLower(rows[1]), "row3", strings.ReplaceAll(rows[2], "-", " "), "row4", rows[3], "dam", "quiet harbour", "mark", "star near hind sock"}
	slip := append([]string{}, typed...)
	slip[3] = rows[2]
	code, _, body := s.send("/takeover", s.fields(s.get("/takeover"), slip...))
	require.Equal(t, http.StatusUnprocessableEntity, code)
	require.Contains(t, plainText(body), "row 2 of the code")
	require.Contains(t, body, rows[0], "what was typed right stays")

	code, _, body = s.send("/takeover", s.fields(s.get("/takeover"), typed...))
	require.Equal(t, http.StatusOK, code)
	require.Contains(t, plainText(body), "Compare with the other screen")
	require.Contains(t, plainText(body), "weight 50.0 kg")
	require.Contains(t, plainText(body), "last vitals temperature 38.2 C, heart rate 98/min, respiratory rate 36/min, at ")
	require.NotContains(t, s.get("/barn"), id, "to look is not to take over")
	code, to, body := s.send("/takeover", s.fields(body, append(typed, "compared", "yes")...))
	require.Equal(t, http.StatusSeeOther, code, plainText(body))
	require.Equal(t, "/case/"+id+"/run", to)

	run := plainText(s.get(to))
	require.Contains(t, run, "This laptop has the case since")
	require.Contains(t, run, "by a code")
	require.Contains(t, run, "quiet harbour")
	require.Contains(t, run, "Alarms compare with the baseline that it told")
	require.Contains(t, run, "38.2", "the last vitals")
	require.Contains(t, run, "25 mL", "as last read on the other laptop")
	require.Contains(t, run, "Nothing else is known of it here")
	require.Contains(t, run, "The plan of the rate is not on this laptop")
	require.NotContains(t, s.get(to), `data-until="0"`, "no alarm of an end that nobody knows")
	require.NotContains(t, run, "0 mL left")
	require.Contains(t, s.get("/barn"), "/case/"+id)
	s.fill("/case/"+id+"/finish?bag="+bag, "bag", bag, "given_ml", "900")
	require.NotContains(t, d.get("/barn"), "has this case since", "the first laptop does not know")
}

// TestACaseIsTakenOverOnThePageByFile saves the file on one page and hands it to
// another; then the way back tells the first laptop.
func TestACaseIsTakenOverOnThePageByFile(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	s := d.second()
	rights, err := d.site.Audit.ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	joined := &trust.Joined{Practice: "P", PracticeName: "Alder Creek Equine", Founding: make([]byte, 32)}
	d.replica.Joined, s.replica.Joined = joined, joined
	grant := d.founding()
	_, err = d.replica.Store.Append(t.Context(), store.Draft{Type: event.TypeDeviceAdded, Author: rights.People[0].Person, Grant: grant,
		Payload: &pb.DeviceAdded{Device: s.replica.Store.Device(), PublicKey: s.replica.Store.PublicKey(), Name: "south laptop"}})
	require.NoError(t, err)

	file, code := d.stick(id)
	status, _, body := s.upload(file[:len(file)-1], code, true)
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, plainText(body), "not copied whole")
	status, _, body = s.upload(file, "7K2M", true)
	require.Equal(t, http.StatusUnprocessableEntity, status, plainText(body))
	status, _, _ = s.upload(file, code, false)
	require.Equal(t, http.StatusForbidden, status, "a form without the token")
	require.Zero(t, len(rowsIn.FindAllString(s.get("/barn"), -1)))
	status, to, body := s.upload(file, code, true)
	require.Equal(t, http.StatusSeeOther, status, plainText(body))
	require.Equal(t, "/case/"+id+"/run", to)
	require.Contains(t, plainText(s.get(to)), "This laptop has the case since")
	require.Contains(t, s.get(to), "data-alarm", "it watches")

	back, code := s.stick(id)
	status, _, body = d.upload(back, code, true)
	require.Equal(t, http.StatusSeeOther, status, plainText(body))
	run := d.get("/case/" + id + "/run")
	require.Contains(t, plainText(run), "This laptop has the case since", "who takes the file takes the case: it went back")
}

// TestACaseElsewhereIsSilent: word of the other laptop comes, and this one leaves
// the case to it, until it is taken back.
func TestACaseElsewhereIsSilent(t *testing.T) {
	d := newLaptop(t)
	id, _ := d.toRunning()
	require.Contains(t, d.get("/case/"+id+"/run"), "data-alarm")
	s := d.second()
	rights, err := d.site.Audit.ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	_, err = d.replica.Store.Append(t.Context(), store.Draft{Type: event.TypeDeviceAdded, Author: rights.People[0].Person, Grant: d.founding(),
		Payload: &pb.DeviceAdded{Device: s.replica.Store.Device(), PublicKey: s.replica.Store.PublicKey(), Name: "south laptop"}})
	require.NoError(t, err)
	_, err = s.replica.Store.Append(t.Context(), store.Draft{Type: 89, Payload: &pb.CaseAdopted{Case: id}})
	require.NoError(t, err)
	for _, log := range s.replica.Store.OwnLogs() {
		run, _, err := s.replica.Store.ReadRun(t.Context(), log, 0, 1<<20)
		require.NoError(t, err)
		got, err := d.replica.Store.Ingest(t.Context(), []*pb.Run{run})
		require.NoError(t, err)
		require.Nil(t, got[0].Refused)
	}
	run := d.get("/case/" + id + "/run")
	require.Contains(t, plainText(run), "south laptop has this case since")
	require.NotContains(t, run, "data-alarm")
	require.Contains(t, plainText(d.get("/barn")), "south laptop has this case since")
	require.NotContains(t, plainText(d.get("/barn")), "vitals: foal of")
	d.fill("/write/case_adopted?case="+id, "case", id)
	require.Contains(t, d.get("/case/"+id+"/run"), "data-alarm", "taken back")
}

// founding is the record that made the first owner.
func (d *laptop) founding() (grant []byte) {
	d.t.Helper()
	require.NoError(d.t, d.replica.Store.View(d.t.Context(), func(v *store.Snapshot) error {
		r, err := v.Rights()
		if err == nil {
			grant = r.Founding.Record[:]
		}
		return err
	}))
	return grant
}

func (d *laptop) stick(id string) (file []byte, code string) {
	d.t.Helper()
	page := d.get("/case/" + id + "/stick")
	r, err := d.browser.Get(d.server.URL + fileIn.FindStringSubmatch(page)[1])
	require.NoError(d.t, err)
	defer r.Body.Close()
	require.Contains(d.t, r.Header.Get("Content-Disposition"), "attachment")
	file, err = io.ReadAll(r.Body)
	require.NoError(d.t, err)
	require.NotContains(d.t, string(file), "Quiet Harbour")
	return file, codeIn.FindStringSubmatch(page)[1]
}

func (d *laptop) upload(file []byte, code string, token bool) (status int, to, body string) {
	d.t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	if token {
		require.NoError(d.t, w.WriteField("token", tokenIn.FindStringSubmatch(d.get("/takeover"))[1]))
	}
	require.NoError(d.t, w.WriteField("code", code))
	part, err := w.CreateFormFile("file", "../../etc/books")
	require.NoError(d.t, err)
	_, err = part.Write(file)
	require.NoError(d.t, err)
	require.NoError(d.t, w.Close())
	ask, err := http.NewRequestWithContext(d.t.Context(), http.MethodPost, d.server.URL+"/takeover/file", &b)
	require.NoError(d.t, err)
	ask.Header.Set("Content-Type", w.FormDataContentType())
	ask.Header.Set("Origin", d.server.URL)
	r, err := d.browser.Do(ask)
	require.NoError(d.t, err)
	defer r.Body.Close()
	raw, err := io.ReadAll(r.Body)
	require.NoError(d.t, err)
	return r.StatusCode, r.Header.Get("Location"), string(raw)
}
