package rpc

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	"thawtrail/internal/replica"
)

// rehearsalHeader comes with every answer of a rehearsal, refusals included: whoever
// prints the answer prints the mark.
const rehearsalHeader = "thawtrail-rehearsal"

// marks lets a replica of a rehearsal say so with each answer.
func marks(r *replica.Replica) grpc.ServerOption {
	if !r.Rehearsal() {
		return grpc.EmptyServerOption{}
	}
	return grpc.ChainUnaryInterceptor(func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
		if err := grpc.SetHeader(ctx, mark()); err != nil {
			return nil, err
		}
		return handle(ctx, req)
	})
}

// marksStreams is marks for answers in parts.
func marksStreams(r *replica.Replica) grpc.ServerOption {
	if !r.Rehearsal() {
		return grpc.EmptyServerOption{}
	}
	return grpc.ChainStreamInterceptor(func(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
		if err := stream.SetHeader(mark()); err != nil {
			return err
		}
		return handle(srv, stream)
	})
}

func mark() metadata.MD { return metadata.Pairs(rehearsalHeader, "yes") }

// HeedRehearsal are options for a caller who is told when what answers is a rehearsal,
// before it has the answer.
func HeedRehearsal(marked func()) []grpc.DialOption {
	heed := func(md metadata.MD) {
		if len(md.Get(rehearsalHeader)) > 0 {
			marked()
		}
	}
	return []grpc.DialOption{
		grpc.WithChainUnaryInterceptor(func(ctx context.Context, method string, req, answer any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
			var md metadata.MD
			err := invoke(ctx, method, req, answer, conn, append(opts, grpc.Header(&md))...)
			heed(md)
			return err
		}),
		grpc.WithChainStreamInterceptor(func(ctx context.Context, desc *grpc.StreamDesc, conn *grpc.ClientConn, method string, open grpc.Streamer, opts ...grpc.CallOption) (grpc.ClientStream, error) {
			stream, err := open(ctx, desc, conn, method, opts...)
			if err != nil {
				return nil, err
			}
			return &heeding{stream, heed}, nil
		}),
	}
}

// heeding looks at the header of a stream with what it receives.
type heeding struct {
	grpc.ClientStream
	heed func(metadata.MD)
}

func (h *heeding) RecvMsg(m any) error {
	err := h.ClientStream.RecvMsg(m)
	if md, headerErr := h.Header(); headerErr == nil {
		h.heed(md)
	}
	return err
}
