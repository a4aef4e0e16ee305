package projection

import (
	"fmt"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/ledger/ledgertest"
	"thawtrail/internal/store/index"
	"thawtrail/internal/store/journal"
	pb "thawtrail/proto/thawtrail/v1"
)

// readJournal counts the records that are read from a journal one by one.
type readJournal struct {
	Journal
	n atomic.Int64
}

func (j *readJournal) ReadAt(at journal.Position, buf []byte) ([]byte, journal.Position, error) {
	j.n.Add(1)
	return j.Journal.ReadAt(at, buf)
}

// state makes a statement of the server of all that some laptops hold.
func (r *rig) state(server *ledgertest.Device, number uint64, of []*ledgertest.Device) {
	s := &pb.HubStatement{HubEpoch: []byte("e"), Number: number, WallUs: r.world.Now().UnixMicro()}
	for _, d := range of {
		for _, tip := range d.Tips() {
			s.Accepted = append(s.Accepted, &pb.AcceptedTip{Tip: tip})
		}
	}
	server.Write(s)
}

// A statement of the server touches every log that it names. What those logs rest on is
// read once for all of them, and not again when the next statement comes.
func TestAStatementReadsNothingAgain(t *testing.T) {
	r := newRig(t, index.NewMemory())
	laptops := []*ledgertest.Device{r.device}
	for i := range 10 {
		laptops = append(laptops, r.world.Device(fmt.Sprint("laptop ", i)))
	}
	server := r.world.Device("server")
	r.catchUp()
	read := &readJournal{Journal: r.Projection.journal}
	r.Projection.journal = read
	for n := range uint64(40) {
		r.state(server, n+1, laptops)
		r.catchUp()
		require.Zero(t, read.n.Load(), "after statement %d", n+1)
	}

	again := r.again(index.NewMemory())
	read = &readJournal{Journal: again.Projection.journal}
	again.Projection.journal = read

	again.rests = readRecords{} // as after a start on an index that was there
	again.state(server, 41, laptops)
	again.catchUp()
	named := int64(len(again.world.Records()))
	require.Positive(t, read.n.Load())
	require.LessOrEqual(t, read.n.Load(), named, "no record is read twice for one statement")
	r.catchUp()
	require.Equal(t, again.digest(), r.digest())
	r.requireRebuilt()
}
