package cli

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	pb "thawtrail/proto/thawtrail/v1"
)

// The shell is offered the bags that the agent knows, by how they begin, at the places where
// a bag is meant; an agent that fails or is not there offers nothing and says nothing.
func TestTheShellCompletesIds(t *testing.T) {
	p := &peer{stock: &pb.ListStockResponse{Bags: []*pb.BagRow{
		{Bag: "7K2M9QX4", Product: "Foal plasma", Place: "north car", State: "frozen"},
		{Bag: "9QX47K2M", Product: "Foal plasma", Place: "clinic", State: "frozen"},
	}}}
	at := startPeer(t, p)
	t.Setenv(envAddress, at)
	code, out, _ := runLine(t, "__complete", "bag", "show", "--at", at, "7k2m-")
	require.Zero(t, code)
	require.Contains(t, out, "7K2M9QX4\tFoal plasma, north car, frozen\n")
	require.NotContains(t, out, "9QX47K2M")
	p.err = errors.New("broken")
	p.stock = nil
	for _, address := range []string{at, "127.0.0.1:1"} {
		code, out, errs := runLine(t, "__complete", "bag", "show", "--at", address, "")
		require.Zero(t, code)
		require.Equal(t, ":4\n", out)
		require.NotContains(t, errs, "broken")
	}
}
