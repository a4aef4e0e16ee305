package agent_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// TestAPersonIsEndedByName ends somebody on the owner's laptop: the laptop that was joined
// with that person's code is shut out, since the books say whose it is.
func TestAPersonIsEndedByName(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	north := c.join("north", "J. Reed", pb.Role_ROLE_VET)
	south := c.join("south", "M. Alder")
	c.same(south)
	people, err := south.audit.ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	i := slices.IndexFunc(people.Devices, func(d *pb.DeviceRow) bool { return d.Name == "north" })
	require.Equal(t, "J. Reed", people.Devices[i].Person)

	out, err := south.record.EndPerson(t.Context(), &pb.EndPersonRequest{Person: "J. Reed", Reason: "left the practice", Author: "M. Alder"})
	require.NoError(t, err)
	require.Equal(t, []string{"north"}, out.Laptops)
	eventually(t, "north is shut out", func() bool { return north.state() != "connected" })
}
