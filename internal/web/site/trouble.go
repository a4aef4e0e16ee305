package site

import (
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// plainly words an error that a person can act on.
func Plainly(err error) (string, bool) {
	s, ok := status.FromError(err)
	if !ok || s.Code() == codes.Internal {
		return "", false
	}
	return s.Message(), true
}
