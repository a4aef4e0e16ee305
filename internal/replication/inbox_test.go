package replication

import (
	"context"
	"io"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "thawtrail/proto/thawtrail/v1"
)

// given is a stream of messages that are there at once, and its end.
type given struct {
	ctx  context.Context
	left []*pb.PullResponse
	read int
}

func (g *given) Recv() (*pb.PullResponse, error) {
	if g.read == len(g.left) {
		return nil, io.EOF
	}
	g.read++
	return g.left[g.read-1], g.ctx.Err()
}

func runOf(log byte, bytes int) *pb.PullResponse {
	return &pb.PullResponse{Runs: []*pb.Run{{Log: []byte{log}, Records: [][]byte{make([]byte, bytes)}}}}
}

// Short messages that wait are taken as one, in their order, and the end of the stream
// after them; a long one is taken alone. What is read ahead is bounded.
func TestWhatWaitsIsTakenAsOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		stream := &given{ctx: ctx, left: []*pb.PullResponse{
			runOf(1, 10), runOf(2, 10), {CaughtUp: true, Keys: []*pb.FieldKey{{}}}, runOf(3, 10), runOf(4, 1<<20), runOf(5, 1<<20), runOf(6, 10),
		}}
		was := proto.CloneOf(stream.left[0])
		in := newInbox(ctx, stream)
		var logs [][]byte
		for {
			synctest.Wait() // as much was read as there is room for
			require.LessOrEqual(t, stream.read-len(logs), 5)
			m, err := in.next()
			if err != nil {
				require.ErrorIs(t, err, io.EOF)
				break
			}
			var took []byte
			for _, run := range m.Runs {
				took = append(took, run.Log...)
			}
			if logs = append(logs, took); len(logs) == 1 {
				require.True(t, m.CaughtUp, "it was said before the last of them")
				require.Len(t, m.Keys, 1)
			}
		}
		require.Equal(t, [][]byte{{1, 2, 3}, {4}, {5}, {6}}, logs)
		require.True(t, proto.Equal(was, stream.left[0]), "a message may be on other streams too")
		cancel()
		in.stop()
	})
}

// Reading ends with its context, whatever waits.
func TestInboxEndsWithItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		in := newInbox(ctx, &given{ctx: t.Context(), left: []*pb.PullResponse{runOf(1, 1<<20), runOf(2, 1<<20)}})
		synctest.Wait()
		cancel()
		in.stop()
	})
}
