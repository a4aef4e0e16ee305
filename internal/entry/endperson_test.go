package entry_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// letIn lets a laptop into the practice, as the server does: for a person, or for nobody
// as the books once kept it.
func letIn(d, other *entrytest.Laptop, founding, owner, person string) {
	d.T.Helper()
	grant, ok := event.ParseHash(founding)
	require.True(d.T, ok)
	_, err := d.Store.Append(d.T.Context(), store.Draft{Type: event.TypeDeviceAdded, Author: owner, Grant: grant[:],
		Payload: &pb.DeviceAdded{Device: other.Store.Device(), PublicKey: other.Store.PublicKey(), Name: other.Name, Person: person}})
	require.NoError(d.T, err)
}

func personOf(d *entrytest.Laptop, name string) *pb.PersonRow {
	d.T.Helper()
	out, err := d.ListPeople(d.T.Context(), &pb.ListPeopleRequest{})
	require.NoError(d.T, err)
	return out.People[slices.IndexFunc(out.People, func(p *pb.PersonRow) bool { return p.Name == name })]
}

// A person's roles and laptops end by the name alone; another's stay.
func TestAPersonEndsByName(t *testing.T) {
	d := entrytest.New(t)
	founded := d.Must(&pb.PracticeFounded{Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", OwnerName: "M. Alder"})
	owner := personOf(d, "M. Alder").Person
	by := func(e *pb.Entry) string {
		out, err := d.Write(t.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: e})
		require.NoError(t, err)
		return out.Record
	}
	for _, name := range []string{"J. Reed", "S. Kaya"} {
		by(d.Entry(&pb.PersonAdded{Name: name}))
		by(d.Entry(&pb.RoleGranted{Person: name, Roles: []pb.Role{pb.Role_ROLE_VET}}))
	}
	by(d.Entry(&pb.RoleGranted{Person: "J. Reed", Roles: []pb.Role{pb.Role_ROLE_CLINIC}}))
	reed, kaya := personOf(d, "J. Reed").Person, personOf(d, "S. Kaya").Person
	car, second, other := entrytest.Named(t, "north car", 8), entrytest.Named(t, "south car", 9), entrytest.Named(t, "west car", 10)
	letIn(d, car, founded.Record, owner, reed)
	letIn(d, second, founded.Record, owner, kaya)
	letIn(d, other, founded.Record, owner, reed)

	end := func(person string, req *pb.EndPersonRequest) (*pb.EndPersonResponse, error) {
		req.Person, req.Author, req.Reason = person, "M. Alder", "left the practice"
		return d.EndPerson(t.Context(), req)
	}
	_, err := end("M. Alder", &pb.EndPersonRequest{})
	require.ErrorContains(t, err, "another owner", "a practice keeps an owner")
	_, err = end("Nobody", &pb.EndPersonRequest{})
	require.Error(t, err)

	out, err := end("J. Reed", &pb.EndPersonRequest{})
	require.NoError(t, err)
	require.ElementsMatch(t, []string{"north car", "west car"}, out.Laptops)
	require.Len(t, out.Records, 4, "two grants and two laptops")
	require.Contains(t, out.Text, "J. Reed has ended here: 2 grants of roles and 2 laptops.")
	require.Empty(t, personOf(d, "J. Reed").Roles)
	require.Equal(t, []string{"vet"}, personOf(d, "S. Kaya").Roles)
	people, err := d.ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	shut := map[string]bool{}
	for _, l := range people.Devices {
		shut[l.Name] = l.ShutOut
	}
	require.Equal(t, map[string]bool{"north laptop": false, "north car": true, "south car": false, "west car": true}, shut)

	_, err = end("J. Reed", &pb.EndPersonRequest{})
	ref, ok := refusal.As(err)
	require.True(t, ok, "nothing is left to end")
	require.Equal(t, "person", ref.Field)
	out, err = end("S. Kaya", &pb.EndPersonRequest{KeepLaptops: true})
	require.NoError(t, err)
	require.Empty(t, out.Laptops)
}

// The telephone of a person is sealed; the newest stands.
func TestThePersonIsReachedAt(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	d.Must(&pb.PersonReached{Person: "M. Alder", Telephone: &pb.Sealed{Plain: "0491 570 156"}})
	told := d.Must(&pb.PersonReached{Person: "M. Alder", Telephone: &pb.Sealed{Plain: "0491 570 157"}})
	require.Equal(t, "0491 570 157", personOf(d, "M. Alder").Telephone)
	rec, err := d.Replica.Store.FindRecord(told.Record)
	require.NoError(t, err)
	require.NotContains(t, string(rec.Wire()), "570 157")
}
