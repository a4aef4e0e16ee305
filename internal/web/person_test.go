package web

import (
	"net/http"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// TestAPersonIsPutRight: the page of a person tells its roles and what was entered of it;
// a name that was typed wrongly is corrected there, old beside new, with a reason, and
// stands once wherever it is told: on the page, the list and the case sheet.
func TestAPersonIsPutRight(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.writesAs("M. Alder")
	id := d.foal("Quiet Harbour")
	d.fill("/write/person_added?back=/owner/people", "name", "J. Read", "registration", "V 1234")
	page := regexp.MustCompile(`<a href="(/owner/person/[^"]+)">J. Read</a>`).FindStringSubmatch(d.get("/owner/people"))[1]
	d.write(&pb.RoleGranted{Person: "J. Read", Roles: []pb.Role{pb.Role_ROLE_VET}})
	d.write(&pb.HandedOver{Case: id, ToPerson: "J. Read"})
	shown := d.get(page)
	assert.Contains(t, plainText(shown), "Roles vet")
	assert.Contains(t, plainText(shown), "Registration V 1234")

	fix := correctIn.FindAllStringSubmatch(shown, -1)
	require.Len(t, fix, 1, "the name is corrected, roles are not")
	address := fix[0][1]
	form := d.get(address)
	assert.Contains(t, plainText(form), "was J. Read")
	code, to, body := d.send(address, d.asShown(form, "name", "J. Reed", "reason_why", "read wrongly"))
	require.Equal(t, http.StatusSeeOther, code, plainText(body))
	require.Equal(t, page, to)
	shown = plainText(d.get(page))
	assert.Contains(t, shown, "Name J. Reed")
	assert.Equal(t, 1, strings.Count(shown, "J. Read"), "what it had said, once")
	assert.Contains(t, shown, "read wrongly")
	assert.NotContains(t, d.get("/owner/people"), "J. Read")
	sheet := plainText(d.get("/case/" + id + "/sheet"))
	assert.Equal(t, 1, strings.Count(sheet, "Handed over to J. Reed"))
	assert.NotContains(t, sheet, "J. Read")

	out, err := d.site.Audit.GetPerson(t.Context(), &pb.GetPersonRequest{Person: "J. Reed"})
	require.NoError(t, err)
	require.Equal(t, []string{"vet"}, out.Person.Roles)
	_, err = d.site.Audit.GetPerson(t.Context(), &pb.GetPersonRequest{Person: "N. Obody"})
	require.ErrorContains(t, err, "N. Obody")
	status, _ := d.ask("/owner/person/nobody")
	require.Equal(t, http.StatusNotFound, status)
}

// TestANamedPersonIsTakenBack within the minute, by the press beside the answer.
func TestANamedPersonIsTakenBack(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.writesAs("M. Alder")
	page := d.get(d.fill("/write/person_added?back=/owner/people", "name", "J. Read"))
	require.Contains(t, page, `action="/undo"`)
	record := regexp.MustCompile(`name="record" value="([0-9a-f]{64})"`).FindStringSubmatch(page)[1]
	code, _, _ := d.send("/undo", d.fields(page, "record", record, "back", "/owner/people"))
	require.Equal(t, http.StatusSeeOther, code)
	require.NotRegexp(t, `<td><a[^>]*>J. Read`, d.get("/owner/people"))
}

// writesAs chooses who writes from the browser.
func (d *laptop) writesAs(name string) {
	d.t.Helper()
	for _, p := range d.people() {
		if p.Label == name {
			code, _, _ := d.send("/who", d.fields(d.get("/barn"), "person", p.Value))
			require.Equal(d.t, http.StatusSeeOther, code)
		}
	}
}
