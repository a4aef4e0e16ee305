package node

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// What a stop cancels is no fault; a cancelling that nobody asked for is, and so
// is any other error.
func TestStopped(t *testing.T) {
	asked, stop := context.WithCancel(t.Context())
	cancelled := fmt.Errorf("bring the index up to date: %w", context.Canceled)
	require.ErrorIs(t, stopped(asked, cancelled), context.Canceled)
	stop()
	require.NoError(t, stopped(asked, cancelled))
	require.NoError(t, stopped(asked, status.Error(codes.Canceled, "stopping")))
	full := errors.New("the disk is full")
	require.ErrorIs(t, stopped(asked, full), full)
	require.NoError(t, stopped(asked, nil))
}
