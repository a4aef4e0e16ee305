package query_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/entry/entrytest"
	"thawtrail/internal/query"
	pb "thawtrail/proto/thawtrail/v1"
)

// An example: a question of the contract, and a read view for what needs more.
func TestExampleOfAQuestion(t *testing.T) {
	laptop := entrytest.New(t)
	bags := laptop.Begin()
	reader := query.Reader{Replica: laptop.Replica}

	stock, err := reader.ListStock(t.Context(), &pb.ListStockRequest{Place: "north car"})
	require.NoError(t, err)
	require.Len(t, stock.Bags, 3)
	require.Equal(t, "frozen", stock.Bags[0].State)

	require.NoError(t, reader.View(t.Context(), func(v *query.ReadView) error {
		bag, err := v.Bag(bags[0])
		require.EqualValues(t, 950, bag.Label.VolumeMl)
		require.Equal(t, "Foal plasma", v.Name("product", bag.Label.Product))
		unknown, _ := v.Bag("AAAA-AAAA-A")
		require.Nil(t, unknown, "nil when it is not known here")
		return err
	}))
}
