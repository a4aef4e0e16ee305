package ledger_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/ledger/ledgertest"
	pb "thawtrail/proto/thawtrail/v1"
)

// However much is written about one entity, by whoever, its state stays within
// its bound, says so, and still tells the beginning and what is newest.
func TestStatesAreBounded(t *testing.T) {
	long := &pb.Sealed{KeyId: make([]byte, 16), Nonce: make([]byte, 24), Ciphertext: make([]byte, 16<<10)}
	bag := func(write func(d *ledgertest.Device, i int) proto.Message, n int) (ledger.State, *event.Record) {
		w := ledgertest.New(t)
		d := w.Device("barn")
		d.Write(received("freezer"))
		for i := range n {
			d.Write(write(d, i))
		}
		last := d.Write(moved("freezer", "car"))
		return ledgertest.Fold(event.Key{Kind: event.KindBag, ID: "B1"}, w.Records()), last
	}
	for name, write := range map[string]func(*ledgertest.Device, int) proto.Message{
		"notes": func(*ledgertest.Device, int) proto.Message {
			return &pb.NoteAdded{EntityKind: "bag", Entity: "B1", Text: long}
		},
		"finds":   func(*ledgertest.Device, int) proto.Message { return found("car") },
		"thaws":   func(*ledgertest.Device, int) proto.Message { return thawed("car") },
		"refused": func(*ledgertest.Device, int) proto.Message { return &pb.BagRefrozen{Bag: "B1"} },
		"given": func(_ *ledgertest.Device, i int) proto.Message {
			return started(fmt.Sprintf("C%d", i), fmt.Sprintf("patient %d", i), "car")
		},
	} {
		state, last := bag(write, 700)
		b, err := ledger.Encode(state)
		require.NoError(t, err, name)
		require.LessOrEqual(t, len(b), ledger.MaxStateBytes, name)
		t.Logf("%s: %d bytes", name, len(b))
		require.Contains(t, kindsOf(state), ledger.TooMuch, name)
		timeline := state.(*ledger.Bag).Timeline
		require.Positive(t, len(timeline), name)
		require.Equal(t, last.Hash, timeline[len(timeline)-1].Record, name)

		state, _ = bag(write, 3)
		require.NotContains(t, kindsOf(state), ledger.TooMuch, name)
	}
}

// Rights are folded from all their records, also when somebody floods them.
func TestFloodedRightsStillCount(t *testing.T) {
	w := ledgertest.New(t)
	hub, car := w.Device("hub"), w.Device("car")
	w.Found(hub)
	w.Admit(hub, car)
	for range 2000 {
		car.Write(&pb.RoleGranted{Person: "mallory", Roles: []pb.Role{owner}}, ledgertest.By("mallory", nil))
	}
	w.Grant(hub, "reed", vet)
	r := ledgertest.Rights(w.Records())
	require.Equal(t, []pb.Role{vet}, r.Roles("reed"))
	require.Empty(t, r.Roles("mallory"))
	b, err := ledger.Encode(r)
	require.NoError(t, err)
	require.LessOrEqual(t, len(b), ledger.MaxStateBytes)
}
