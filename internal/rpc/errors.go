package rpc

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"

	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
)

// errorDomain names this program in error details.
const errorDomain = "thawtrail"

// Keys of the metadata that carry a refusal over the wire.
const (
	metaValue = "value"
	metaWant  = "want"
	metaHint  = "hint"
)

// refusalCodes is the one table of refusals, read in both directions: what does
// not fit what is known here is a failed precondition, all else a bad argument.
var refusalCodes = []struct {
	state  bool
	code   codes.Code
	reason string
}{
	{false, codes.InvalidArgument, "INPUT_REFUSED"},
	{true, codes.FailedPrecondition, "DOES_NOT_FIT"},
}

// failureCodes is the table of errors that are not refusals; the first that
// matches counts. What is not listed is internal.
var failureCodes = []struct {
	err  error
	code codes.Code
}{
	{refusal.ErrNotFound, codes.NotFound},
	{refusal.ErrDenied, codes.PermissionDenied},
	{refusal.ErrUnready, codes.FailedPrecondition},
	{refusal.ErrTooMuch, codes.ResourceExhausted},
	{refusal.ErrUnavailable, codes.Unavailable},
	{refusal.ErrDamaged, codes.DataLoss},
	{context.Canceled, codes.Canceled},
	{context.DeadlineExceeded, codes.DeadlineExceeded},
	{event.ErrTooLarge, codes.InvalidArgument},
	{event.ErrMalformed, codes.InvalidArgument},
	{event.ErrNewer, codes.FailedPrecondition},
	{event.ErrPayload, codes.DataLoss},
	{event.ErrSignature, codes.DataLoss},
	{event.ErrChain, codes.DataLoss},
}

// Status turns an error into one that gRPC sends: a refusal with its field,
// value, expectation and hint as details, anything else with its code. What is
// a status already stays as it is; nil stays nil.
func Status(err error) error {
	if err == nil {
		return nil
	}
	if r, ok := refusal.As(err); ok {
		return refusalStatus(r)
	}
	if _, ok := status.FromError(err); ok {
		return err
	}
	for _, f := range failureCodes {
		if errors.Is(err, f.err) {
			return status.Error(f.code, valid(err.Error()))
		}
	}
	return status.Error(codes.Internal, valid(err.Error()))
}

func refusalStatus(r *refusal.Error) error {
	row := refusalCodes[0]
	for _, c := range refusalCodes {
		if c.state == r.State {
			row = c
		}
	}
	details := []protoadapt.MessageV1{
		&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
			{Field: valid(r.Field), Description: "expected " + valid(r.Want)},
		}},
		&errdetails.ErrorInfo{Reason: row.reason, Domain: errorDomain, Metadata: map[string]string{
			metaValue: valid(r.Value), metaWant: valid(r.Want), metaHint: valid(r.Hint),
		}},
	}
	s := status.New(row.code, valid(r.Error()))
	if full, err := s.WithDetails(details...); err == nil {
		s = full
	}
	return s.Err()
}

// Refusal finds the refusal in an error, be it one of this process or one that
// came over gRPC.
func Refusal(err error) (*refusal.Error, bool) {
	if r, ok := refusal.As(err); ok {
		return r, true
	}
	s, ok := status.FromError(err)
	if !ok || s == nil {
		return nil, false
	}
	r := &refusal.Error{}
	found := false
	for _, d := range s.Details() {
		switch d := d.(type) {
		case *errdetails.BadRequest:
			if v := d.GetFieldViolations(); len(v) > 0 {
				r.Field = v[0].GetField()
			}
		case *errdetails.ErrorInfo:
			state, known := stateOf(d)
			found = found || known
			r.State = state
			r.Value, r.Want, r.Hint = d.GetMetadata()[metaValue], d.GetMetadata()[metaWant], d.GetMetadata()[metaHint]
		}
	}
	if !found {
		return nil, false
	}
	return r, true
}

// stateOf reads the table the other way.
func stateOf(d *errdetails.ErrorInfo) (state, known bool) {
	for _, c := range refusalCodes {
		if d.GetDomain() == errorDomain && d.GetReason() == c.reason {
			return c.state, true
		}
	}
	return false, false
}

// valid makes text fit for protobuf, which refuses to send broken UTF-8.
func valid(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }
