package service

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"google.golang.org/grpc"

	"thawtrail/internal/parcel"
	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/pins"
	pb "thawtrail/proto/thawtrail/v1"
)

// Carry writes and reads what is carried by hand, for callers of this machine.
type Carry struct {
	pb.UnimplementedCarryServiceServer
	*Replica
}

// pieceBytes is the size of the pieces in which a file goes over a local link.
const pieceBytes = 256 << 10

// WriteBooks streams a file of all records held here, and its code at the end.
func (c *Carry) WriteBooks(req *pb.WriteBooksRequest, stream grpc.ServerStreamingServer[pb.WriteBooksResponse]) error {
	id := ""
	if req.Case != "" {
		if err := c.view(stream.Context(), func(b *book) (err error) {
			id, err = b.resolve("case", "case", req.Case)
			return err
		}); err != nil {
			return err
		}
	}
	code, err := parcel.NewCode(c.Random)
	if err != nil {
		return Status(err)
	}
	pieces := &pieces{send: func(data []byte) error { return stream.Send(&pb.WriteBooksResponse{Data: data}) }}
	n, err := c.Replica.WriteBooks(stream.Context(), pieces, code, id)
	if err == nil {
		err = pieces.flush()
	}
	if err != nil {
		return Status(err)
	}
	return stream.Send(&pb.WriteBooksResponse{Code: code.Text(), Records: n})
}

// pieces gathers writes into messages of a fair size.
type pieces struct {
	send func([]byte) error
	held bytes.Buffer
}

func (p *pieces) Write(b []byte) (int, error) {
	p.held.Write(b)
	if p.held.Len() < pieceBytes {
		return len(b), nil
	}
	return len(b), p.flush()
}

func (p *pieces) flush() error {
	for p.held.Len() > 0 {
		if err := p.send(bytes.Clone(p.held.Next(pieceBytes))); err != nil {
			return err
		}
	}
	return nil
}

// ReadBooks takes a file of records that comes in pieces.
func (c *Carry) ReadBooks(stream grpc.ClientStreamingServer[pb.ReadBooksRequest, pb.ReadBooksResponse]) error {
	first, err := stream.Recv()
	if err != nil {
		return Status(err)
	}
	code, err := parcel.ParseCode(first.Code)
	if err != nil {
		return Status(err)
	}
	rest := first.Data
	out, err := c.ReadUpload(stream.Context(), code, func() ([]byte, error) {
		if data := rest; data != nil {
			rest = nil
			return data, nil
		}
		m, err := stream.Recv()
		return m.GetData(), err
	})
	if err != nil {
		return err
	}
	return stream.SendAndClose(out)
}

// ReadUpload takes a file of records that comes in pieces, until io.EOF. It is put
// aside on the disk, still encrypted, because it is read twice.
func (r *Replica) ReadUpload(ctx context.Context, code parcel.Code, next func() ([]byte, error)) (*pb.ReadBooksResponse, error) {
	dir := ""
	if r.AsideDir != "" {
		dir = filepath.Dir(r.AsideDir)
	}
	file, err := os.CreateTemp(dir, "carried-*")
	if err != nil {
		return nil, Status(fmt.Errorf("not taken: %w", err))
	}
	defer func() { _ = os.Remove(file.Name()) }() // a leftover is encrypted and opened by nobody
	defer file.Close()
	if err := spool(file, next); err != nil {
		return nil, Status(err)
	}
	out, err := r.ReadBooks(ctx, file, code)
	if err != nil {
		return nil, Status(err)
	}
	return out.PB(), nil
}

// ShowCode puts a running case into characters.
func (c *Carry) ShowCode(ctx context.Context, req *pb.ShowCodeRequest) (*pb.ShowCodeResponse, error) {
	return c.Replica.ShowCode(ctx, req.Case)
}

// TakeOver reads such characters.
func (c *Carry) TakeOver(ctx context.Context, req *pb.TakeOverRequest) (*pb.TakeOverResponse, error) {
	return (&Records{Replica: c.Replica}).TakeOver(ctx, Hand{Seat: pins.CommandLine}, req)
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
func (b *BooksRead) PB() *pb.ReadBooksResponse {
	return &pb.ReadBooksResponse{
		RecordsNew: b.New, Records: b.Records, WrittenBy: refusal.Shorten(b.Head.DeviceName),
		WrittenAt: b.WrittenAt().UTC().Format(time.RFC3339), Lacking: b.Lacking, SetAside: b.SetAside,
		Case: b.Head.Case, Device: fmt.Sprintf("%x", b.Head.Device),
	}
}
