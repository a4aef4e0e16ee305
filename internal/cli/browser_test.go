package cli

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	pb "thawtrail/proto/thawtrail/v1"
)

// doorman hands out addresses of pages.
type doorman struct {
	pb.UnimplementedPageServiceServer
}

const longAddress = "http://127.0.0.1:42811/enter/0123456789abcdef0123456789abcdef?to=/barn"

func (doorman) OpenPages(context.Context, *pb.OpenPagesRequest) (*pb.OpenPagesResponse, error) {
	return &pb.OpenPagesResponse{Pages: []*pb.PageAddress{{Part: "barn", Url: longAddress}}}, nil
}

// TestAPageIsOpened prints an address that can be copied, and hands it to the browser of
// this system; where there is none, it is still printed.
func TestAPageIsOpened(t *testing.T) {
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s := grpc.NewServer()
	pb.RegisterPageServiceServer(s, doorman{})
	go func() { _ = s.Serve(l) }() // until Stop
	t.Cleanup(s.Stop)
	at := l.Addr().String()

	code, out, errs := runLine(t, "page", "--at", at)
	require.Zero(t, code, errs)
	require.Contains(t, out, "  barn  "+longAddress+"\n")
	_, out, _ = runLine(t, "page", "--at", at, "--json")
	require.Contains(t, out, `"part": "barn"`)

	tools := t.TempDir()
	t.Setenv("PATH", tools)
	code, out, errs = runLine(t, "page", "--open", "--at", at)
	require.Equal(t, 1, code)
	require.Contains(t, out, longAddress)
	require.Contains(t, errs, "no browser could be opened")

	if runtime.GOOS != "linux" {
		return // the opener of another system is not ours to replace
	}
	told := filepath.Join(t.TempDir(), "told")
	require.NoError(t, os.WriteFile(filepath.Join(tools, "xdg-open"), []byte("#!/bin/sh\nprintf %s \"$1\" >"+told+"\n"), 0o700))
	code, out, errs = runLine(t, "page", "--open", "--at", at)
	require.Zero(t, code, errs)
	require.Contains(t, out, longAddress)
	raw, err := os.ReadFile(told)
	require.NoError(t, err)
	require.Equal(t, longAddress, string(raw))

	code, _, errs = runLine(t, "page", "--data", t.TempDir())
	require.Equal(t, 1, code)
	require.Contains(t, errs, "no agent or server of this user runs on")
}
