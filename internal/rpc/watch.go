package rpc

import (
	"context"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
)

// watcher tells of each call that has ended, refused ones too.
type watcher struct {
	called  func(Call)
	elapsed func() time.Duration
}

func (w watcher) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	began := w.elapsed()
	out, err := next(ctx, req)
	w.tell(info.FullMethod, false, w.elapsed()-began, err)
	return out, err
}

func (w watcher) stream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	began := w.elapsed()
	err := next(srv, ss)
	w.tell(info.FullMethod, true, w.elapsed()-began, err)
	return err
}

func (w watcher) tell(full string, open bool, took time.Duration, err error) {
	if w.called == nil {
		return
	}
	service, method, _ := strings.Cut(strings.TrimPrefix(full, "/"), "/")
	w.called(Call{Service: service[strings.LastIndexByte(service, '.')+1:], Method: method, Code: status.Code(err), Open: open, Took: took})
}
