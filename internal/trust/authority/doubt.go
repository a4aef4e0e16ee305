package authority

import (
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// How a call is refused while nobody can be told from a stranger.
const (
	doubtDomain = "thawtrail"
	doubtReason = "PRACTICE_IN_DOUBT"
)

// InDoubt refuses a call of a laptop while the server cannot tell who belongs to the
// practice: what the laptop holds of that may help.
func InDoubt(doubt string) error {
	s := status.New(codes.FailedPrecondition, doubt)
	if full, err := s.WithDetails(&errdetails.ErrorInfo{Domain: doubtDomain, Reason: doubtReason}); err == nil {
		s = full
	}
	return s.Err()
}

// IsInDoubt says that a call was refused by InDoubt.
func IsInDoubt(err error) bool {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.Domain == doubtDomain && info.Reason == doubtReason {
			return true
		}
	}
	return false
}
