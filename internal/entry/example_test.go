package entry_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// An example: one entry from what was typed to the record, and one that is refused.
func TestExampleOfAnEntry(t *testing.T) {
	laptop := entrytest.New(t)
	laptop.Begin() // a practice, a product, a place, three bags
	foal := laptop.Foal()

	// A short id is enough; the answer says who the patient is.
	saved, err := laptop.Write(t.Context(), &pb.WriteRequest{
		Entry: laptop.Entry(&pb.PatientWeighed{Case: foal[:4], WeightG: 52_500, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE}),
	})
	require.NoError(t, err)
	require.Equal(t, pb.SavedState_SAVED_STATE_SAVED_HERE, saved.Saved)
	require.Contains(t, saved.Text, "foal of Quiet Harbour")

	// A slip is refused with the field, and nothing is saved.
	before := laptop.Store.Records()
	_, err = laptop.Write(t.Context(), &pb.WriteRequest{
		Entry: laptop.Entry(&pb.PatientWeighed{Case: "no such case", WeightG: 52_500, Method: pb.WeightMethod_WEIGHT_METHOD_SCALE}),
	})
	refused, ok := refusal.As(err)
	require.True(t, ok)
	require.Equal(t, "case", refused.Field)
	require.Equal(t, before, laptop.Store.Records())
}
