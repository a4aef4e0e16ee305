package query_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/engine"
	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/query"
	pb "thawtrail/proto/thawtrail/v1"
)

// own is what the practice's own records say to the engine just now.
func own(d *entrytest.Laptop) (share *engine.OwnShare, thaws []engine.ThawRecord) {
	err := query.Reader{Replica: d.Replica}.View(d.T.Context(), func(b *query.ReadView) (err error) {
		if share, err = b.OwnShare(); err != nil {
			return err
		}
		thaws, err = b.OwnThaws()
		return err
	})
	require.NoError(d.T, err)
	return share, thaws
}

// The practice's own rechecks and thaws count only while an owner and a vet say so, and
// then are what was measured: three foals of 50 kg whose shares are reckoned by the same
// balance as on their sheets, and thaws beside the minutes that were foretold.
func TestOwnEstimatesWaitForAnOwnerAndAVet(t *testing.T) {
	d := entrytest.New(t)
	d.Begin()
	say := func(person, name, value string) error {
		_, err := d.Write(t.Context(), &pb.WriteRequest{Author: person, Entry: d.Entry(&pb.SettingsChanged{Name: name, Value: value})})
		return err
	}
	bags := d.Must(&pb.BagsReceived{Product: "foal plasma", Batch: "K-11", Expiry: "2028-03", VolumeMl: 950, Count: 3, Place: "north car", IggCgPerL: proto.Int32(2000)}).Made
	var shares []float64
	for n, after := range []int32{500, 600, 800} {
		typeNight(d, n, bags[n], foalNight{before: proto.Int32(200), after: proto.Int32(after)})
		r, err := engine.Response(engine.ResponseInput{WeightKg: 50, IgGBeforeGPerL: new(2.0), IgGAfterGPerL: new(float64(after) / 100), GivenMl: 950, DonorIgGGPerL: 20, AgeH: new(14.0)})
		require.NoError(t, err)
		shares = append(shares, r.ShareFound)
	}
	for person, role := range map[string]pb.Role{"J. Reed": pb.Role_ROLE_VET, "S. Marsh": pb.Role_ROLE_OWNER} {
		for _, m := range []proto.Message{&pb.PersonAdded{Name: person}, &pb.RoleGranted{Person: person, Roles: []pb.Role{role}}} {
			_, err := d.Write(t.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: d.Entry(m)})
			require.NoError(t, err)
		}
	}
	slices.Sort(shares)

	share, thaws := own(d)
	require.Nil(t, share, "nobody turned it on")
	require.Empty(t, thaws)
	require.NoError(t, say("S. Marsh", query.SettingOwnShare, "on"))
	require.NoError(t, say("S. Marsh", query.SettingOwnShare, "on"))
	share, _ = own(d)
	require.Nil(t, share, "an owner alone")
	require.NoError(t, say("J. Reed", query.SettingOwnShare, "on"))
	share, _ = own(d)
	require.NotNil(t, share)
	require.Equal(t, 3, share.N)
	require.InDelta(t, shares[1], share.Median, 0.01)

	require.NoError(t, say("J. Reed", query.SettingOwnThaws, "on"))
	_, thaws = own(d)
	require.Empty(t, thaws, "a vet alone")
	require.NoError(t, say("S. Marsh", query.SettingOwnThaws, "on"))
	_, thaws = own(d)
	require.Len(t, thaws, 3)
	foretold, err := engine.Thaw(engine.ThawInput{HeldAtC: new(37.0), BagMl: new(950.0)})
	require.NoError(t, err)
	require.Equal(t, engine.ThawRecord{PredictedMinutes: foretold.ThawMinutes.Mid, ActualMinutes: 41}, thaws[0])

	require.NoError(t, say("J. Reed", query.SettingOwnShare, "off"))
	require.NoError(t, say("J. Reed", query.SettingOwnShare, "on"))
	share, _ = own(d)
	require.Nil(t, share, "who turned it off and on again speaks for one")
	require.ErrorContains(t, say("J. Reed", query.SettingRecheckHours, "18"), "for the clinic or an owner")
}
