package authority

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
)

// TokenHeader carries the token of a local caller.
const TokenHeader = "thawtrail-token"

// Gate decides for each call who may make it.
type Gate struct {
	Members Members
	Token   string // of local callers; empty lets none in by token
	// Device, Enrol and Unknown list the services, by their full names, that each
	// way opens. Anyone opens to all, also without a token.
	Device, Enrol, Unknown, Anyone []string
	// Within bounds a call that answers once.
	Within time.Duration
}

// CallerOf is who makes a call, as its link proves it.
func CallerOf(ctx context.Context) (Caller, bool) {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return Caller{}, false
	}
	c, ok := p.AuthInfo.(Caller)
	return c, ok
}

// Check refuses a call that its caller may not make.
func (g *Gate) Check(ctx context.Context, method string) error {
	service, _, _ := strings.Cut(strings.TrimPrefix(method, "/"), "/")
	c, ok := CallerOf(ctx)
	if ok && slices.Contains(g.Anyone, service) {
		return nil
	}
	switch {
	case ok && c.Way == BySocket:
		return nil
	case ok && c.Way == ByLocal:
		if g.tokenFits(ctx) {
			return nil
		}
		return status.Error(codes.Unauthenticated, "this address answers only the user who started the program")
	case ok && c.Way == ByDevice && !g.Members.Admitted(c.Device):
		return status.Error(codes.PermissionDenied, "this laptop was shut out of the practice")
	case ok && c.Way == ByDevice && slices.Contains(g.Device, service):
		return nil
	case ok && c.Way == ByUnknown:
		return g.unknown(service)
	case ok && c.Way == ByEnrolment && slices.Contains(g.Enrol, service):
		return nil
	}
	return status.Errorf(codes.PermissionDenied, "%s does not answer here", service)
}

// unknown answers a laptop whose link was made while nobody could be told from a
// stranger.
func (g *Gate) unknown(service string) error {
	doubt := g.Members.Doubt()
	switch {
	case doubt == "":
		return status.Error(codes.Unavailable, "the server knows its practice again: connect once more")
	case slices.Contains(g.Unknown, service):
		return nil
	}
	return InDoubt(doubt)
}

// tokenFits compares in a time that tells nothing of the token.
func (g *Gate) tokenFits(ctx context.Context) bool {
	md, _ := metadata.FromIncomingContext(ctx)
	got := md.Get(TokenHeader)
	if g.Token == "" || len(got) != 1 {
		return false
	}
	a, b := sha256.Sum256([]byte(got[0])), sha256.Sum256([]byte(g.Token))
	return subtle.ConstantTimeCompare(a[:], b[:]) == 1
}

// Unary is the interceptor of calls that answer once.
func (g *Gate) Unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	if err := g.Check(ctx, info.FullMethod); err != nil {
		return nil, err
	}
	if g.Within > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, g.Within)
		defer cancel()
	}
	return next(ctx, req)
}

// Stream is the interceptor of calls that stay open.
func (g *Gate) Stream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	if err := g.Check(ss.Context(), info.FullMethod); err != nil {
		return err
	}
	return next(srv, ss)
}
