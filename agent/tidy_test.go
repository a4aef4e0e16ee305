package agent_test

import (
	"crypto/rand"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/agent"
	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/seal"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestExcessKeysAreDropped: a keyring that was filled with keys of nothing is put
// right, and what records need stays. A folder in use is left alone.
func TestExcessKeysAreDropped(t *testing.T) {
	l := newLaptop(t, "north")
	l.start()
	_, err := l.record.Write(t.Context(), &pb.WriteRequest{Entry: &pb.Entry{Body: &pb.Entry_PracticeFounded{PracticeFounded: &pb.PracticeFounded{
		Name: "Alder Creek Equine", Zone: "Australia/Sydney", Currency: "AUD", OwnerName: "M. Alder",
	}}}})
	require.NoError(t, err)
	added, err := l.record.Write(t.Context(), &pb.WriteRequest{Entry: &pb.Entry{Body: &pb.Entry_ClientAdded{ClientAdded: &pb.ClientAdded{Name: &pb.Sealed{Plain: "P. Hollis"}}}}})
	require.NoError(t, err)
	_, err = agent.TidyKeys(t.Context(), l.config())
	require.Error(t, err, "it is in use")
	l.stop()
	var excess []*pb.FieldKey
	for i := range 100 {
		key, err := seal.NewKey(rand.Reader)
		require.NoError(t, err)
		excess = append(excess, seal.FieldKey{Key: key, Entity: event.Key{Kind: event.KindClient, ID: fmt.Sprint(i)}}.PB())
	}
	refused, err := l.home().Seals.Take(excess)
	require.NoError(t, err)
	require.NoError(t, refused)
	needed := l.home().Seals.Len() - 100
	require.Positive(t, needed)
	done, err := agent.TidyKeys(t.Context(), l.config())
	require.NoError(t, err)
	require.Equal(t, agent.Tidied{Kept: needed, Dropped: 100}, done)
	l.start()
	answer, err := pb.NewPrivacyServiceClient(l.conn).ExportClient(t.Context(), &pb.ExportClientRequest{Client: added.Made[0]})
	require.NoError(t, err)
	require.Equal(t, "P. Hollis", answer.Name)

	_, err = agent.TidyKeys(t.Context(), agent.Config{Data: t.TempDir()})
	_, ok := refusal.As(err)
	require.True(t, ok, "%v", err)
}
