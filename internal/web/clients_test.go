package web

import (
	"net/http"
	"net/url"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// aClient enters a client with a foal, agreed to by somebody else.
func (d *laptop) aClient(name, telephone, dam, yard, agreed string) (client, id string) {
	d.t.Helper()
	client = d.write(&pb.ClientAdded{Name: &pb.Sealed{Plain: name}, Telephone: &pb.Sealed{Plain: telephone}}).Made[0]
	id = d.write(&pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: dam, DamChip: "985000000000001", Yard: yard, Client: client, ClockChecked: true}).Made[0]
	d.write(&pb.EstimateAgreed{Case: id, AmountMinor: proto.Int64(98_000), By: agreed, How: "in person"})
	return client, id
}

// TestAClientOnThePages finds a client from the clinic's page, reads the horse over the
// years, and forgets the client with the PIN: what the page named is told no more.
func TestAClientOnThePages(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.share()
	d.writesAs("M. Alder")
	client, id := d.aClient("P. Hollis", "0491 570 156", "Quiet Harbour", "Hill Road", "G. Groom")
	require.Contains(t, d.get("/clinic"), `href="/clinic/clients"`)
	at := "/clinic/client/" + client
	require.Contains(t, d.get("/clinic/clients?q=hollis"), `href="`+at+`"`)
	require.Contains(t, plainText(d.get("/clinic/clients?q=zzz")), "No client here fits zzz")
	require.Contains(t, d.get("/clinic/find?q=0491+570"), `href="`+at+`"`)

	page := d.get(at)
	for _, part := range []string{"P. Hollis", "tel:0491%20570%20156", "/case/" + id + "/sheet", "/clinic/horse?horse=Quiet&#43;Harbour"} {
		require.Contains(t, page, part)
	}
	require.Contains(t, plainText(page), "What is sealed under the same key, and goes with it")
	require.NotContains(t, plainText(page), "in plain words")
	require.Contains(t, plainText(page), "yard: Hill Road")
	require.Contains(t, plainText(page), "who agreed or answered: G. Groom")
	horse := d.get("/clinic/horse?horse=985000000000001")
	require.Contains(t, horse, `href="`+at+`"`)
	require.Contains(t, plainText(horse), "as dam")
	code, body := d.ask("/clinic/horse?horse=Nobody")
	require.Equal(t, http.StatusNotFound, code)
	require.Contains(t, plainText(body), "No case of Nobody is known here")

	d.write(&pb.SettingsChanged{Name: "keep_client_years", Value: "1"})
	require.Contains(t, plainText(d.get("/clinic/clients?due=1")), "Nobody is due")
	require.Contains(t, plainText(d.get("/clinic/clients")), "for 1 year after the last case")

	form := regexp.MustCompile(`href="(/write/client_forgotten[^"]*)"`).FindStringSubmatch(page)
	require.NotNil(t, form)
	ask := "/write/client_forgotten?" + url.Values{"client": {client}, "back": {at}}.Encode()
	require.Contains(t, d.get(ask), `name="pin"`, "it asks for the PIN")
	require.Equal(t, at, d.fill(ask, "client", client, "reason", "asked for by the client", "pin", alderPIN))
	gone := d.get(at)
	require.Contains(t, plainText(gone), "A client who was forgotten")
	require.NotContains(t, gone, "/write/client_forgotten")
	for _, p := range []string{at, "/clinic/clients", "/clinic", "/cases", "/case/" + id, "/case/" + id + "/sheet", "/clinic/horse?horse=Quiet%20Harbour", "/clinic/find?q=Hollis", "/clinic/find?q=Quiet+Harbour"} {
		_, body := d.ask(p)
		for _, word := range []string{"P. Hollis", "0491 570 156", "Hill Road", "G. Groom"} {
			require.NotContains(t, body, word, p)
		}
	}
}

// TestAPersonIsEndedOnThePage ends another's roles by one press beside the name, and says
// what is refused beside what was typed.
func TestAPersonIsEndedOnThePage(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.share()
	d.writesAs("M. Alder")
	var reed string
	for _, p := range d.people() {
		if p.Label == "J. Reed" {
			reed = p.Value
		}
	}
	d.write(&pb.RoleGranted{Person: reed, Roles: []pb.Role{pb.Role_ROLE_VET}})
	at := "/owner/person/" + reed + "/end"
	require.Contains(t, d.get("/owner/people"), `href="`+at+`"`)
	code, _, body := d.send(at, d.fields(d.get(at), "reason", ""))
	require.Equal(t, http.StatusUnprocessableEntity, code)
	require.Contains(t, plainText(body), "reason")
	require.Equal(t, "/owner/person/"+reed, d.fill(at, "reason", "left the practice"))
	page := plainText(d.get("/owner/person/" + reed))
	require.Contains(t, page, "J. Reed has ended here")
	require.Contains(t, page, "no role")
	require.NotContains(t, d.get("/owner/people"), `href="`+at+`"`)
	d.write(&pb.PersonReached{Person: reed, Telephone: &pb.Sealed{Plain: "0491 570 157"}})
	require.Contains(t, d.get("/owner/people"), "tel:0491%20570%20157")
}
