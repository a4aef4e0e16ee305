package rpc_test

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/rpc"
)

func TestRefusalsCrossTheWireWhole(t *testing.T) {
	for _, c := range []struct {
		in   *refusal.Error
		code codes.Code
	}{
		{refusal.New("igg_g_per_l", "350", "0 to 50 g/L").Because("mg/dL?"), codes.InvalidArgument},
		{refusal.Conflict("bag", "7K2M", "a bag that is not used up"), codes.FailedPrecondition},
		{refusal.New("name", "a\xffb", "text"), codes.InvalidArgument},
		{refusal.New("name", "", "a name"), codes.InvalidArgument},
	} {
		err := rpc.Status(fmt.Errorf("while writing: %w", c.in))
		require.Equal(t, c.code, status.Code(err))
		// What a client holds after the wire: a status made from its proto alone.
		back, ok := rpc.Refusal(status.FromProto(status.Convert(err).Proto()).Err())
		require.True(t, ok)
		require.Equal(t, c.in, back)
		require.Equal(t, c.in.Error(), status.Convert(err).Message())
	}
}

func TestOtherErrorsKeepTheirCode(t *testing.T) {
	for _, c := range []struct {
		err  error
		code codes.Code
	}{
		{nil, codes.OK},
		{context.Canceled, codes.Canceled},
		{fmt.Errorf("reading: %w", context.DeadlineExceeded), codes.DeadlineExceeded},
		{fmt.Errorf("%w: 3 MB", event.ErrTooLarge), codes.InvalidArgument},
		{event.ErrSignature, codes.DataLoss},
		{status.Error(codes.NotFound, "no such record"), codes.NotFound},
		{errors.New("disk"), codes.Internal},
		{errors.New("disk \xff"), codes.Internal},
	} {
		got := rpc.Status(c.err)
		require.Equal(t, c.code, status.Code(got), "%v", c.err)
		_, ok := rpc.Refusal(got)
		require.False(t, ok)
	}
	_, ok := rpc.Refusal(errors.New("plain"))
	require.False(t, ok)
}
