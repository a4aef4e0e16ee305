package replication

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"thawtrail/internal/bundle"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// ReadUpload takes a file of records that comes in pieces, until io.EOF. It is put
// aside on the disk, still encrypted, because it is read twice.
func (r Bundles) ReadPieces(ctx context.Context, code bundle.Code, next func() ([]byte, error)) (*pb.ReadBooksResponse, error) {
	file, err := os.CreateTemp(r.Scratch, "carried-*")
	if err != nil {
		return nil, fmt.Errorf("not taken: %w", err)
	}
	defer func() { _ = os.Remove(file.Name()) }() // a leftover is encrypted and opened by nobody
	defer file.Close()
	if err := spool(file, next); err != nil {
		return nil, err
	}
	out, err := r.Read(ctx, file, code)
	if err != nil {
		return nil, err
	}
	return out.PB(), nil
}

// MaxCarried bounds a file of records: more than any practice writes in its life.
const MaxCarried = 4 << 30

func spool(file io.Writer, next func() ([]byte, error)) error {
	for size := 0; ; {
		data, err := next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if size += len(data); size > MaxCarried {
			return refusal.New("file", fmt.Sprintf("more than %d bytes", MaxCarried), "a file of records; nothing was taken")
		}
		if _, err := file.Write(data); err != nil {
			return fmt.Errorf("not taken: %w", err)
		}
	}
}

// PB is the message form.
func (b *Outcome) PB() *pb.ReadBooksResponse {
	return &pb.ReadBooksResponse{
		RecordsNew: b.New, Records: b.Records, WrittenBy: refusal.Shorten(b.Head.DeviceName),
		WrittenAt: b.WrittenAt().UTC().Format(time.RFC3339), Lacking: b.Lacking, SetAside: b.SetAside,
		Case: b.Head.Case, Device: fmt.Sprintf("%x", b.Head.Device),
	}
}
