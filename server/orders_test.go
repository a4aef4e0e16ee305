package server

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// TestAFileThatIsNotTaken: a laptop that leaves a piece of its file on the way keeps no
// other from the place.
func TestAFileThatIsNotTaken(t *testing.T) {
	require.NoError(t, taken(time.Minute, func() error { return nil }))
	broken := errors.New("the link broke")
	require.ErrorIs(t, taken(time.Minute, func() error { return broken }), broken)
	never := make(chan error)
	err := taken(time.Millisecond, func() error { return <-never })
	require.Equal(t, codes.Aborted, status.Code(err))
	close(never)
}
