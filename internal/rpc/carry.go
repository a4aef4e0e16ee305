package rpc

import (
	"bytes"
	"context"
	"crypto/sha256"
	"io"
	"time"

	"google.golang.org/grpc"

	"thawtrail/internal/bundle"
	"thawtrail/internal/entry"
	"thawtrail/internal/query"
	"thawtrail/internal/replica"
	"thawtrail/internal/replication"
	"thawtrail/internal/trust/pins"
	pb "thawtrail/proto/thawtrail/v1"
)

// carryService writes and reads what is carried by hand, for callers of this machine.
type carryService struct {
	pb.UnsafeCarryServiceServer
	*entry.Writer
}

// pieceBytes is the size of the pieces in which a file goes over a local link.
const pieceBytes = 256 << 10

// WriteBooks streams a file of all records held here, and its code at the end.
func (c *carryService) WriteBooks(req *pb.WriteBooksRequest, stream grpc.ServerStreamingServer[pb.WriteBooksResponse]) error {
	id := ""
	if req.Case != "" {
		if err := c.View(stream.Context(), func(b *query.ReadView) (err error) {
			id, err = b.Resolve("case", "case", req.Case)
			return err
		}); err != nil {
			return err
		}
	}
	code, err := bundle.NewCode(c.Random)
	if err != nil {
		return err
	}
	pieces := &pieces{send: func(data []byte) error { return stream.Send(&pb.WriteBooksResponse{Data: data}) }}
	out, err := replication.Bundles{Replica: c.Replica}.Write(stream.Context(), pieces, code, id)
	if err == nil {
		err = pieces.flush()
	}
	if err != nil {
		return err
	}
	return stream.Send(&pb.WriteBooksResponse{Code: code.Text(), Records: out.Records, Omitted: out.Omitted})
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
func (c *carryService) ReadBooks(stream grpc.ClientStreamingServer[pb.ReadBooksRequest, pb.ReadBooksResponse]) error {
	first, err := stream.Recv()
	if err != nil {
		return err
	}
	code, err := bundle.ParseCode(first.Code)
	if err != nil {
		return err
	}
	rest := first.Data
	out, err := replication.Bundles{Replica: c.Replica}.ReadPieces(stream.Context(), code, func() ([]byte, error) {
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

// ShowCode puts a running case into characters.
func (c *carryService) ShowCode(ctx context.Context, req *pb.ShowCodeRequest) (*pb.ShowCodeResponse, error) {
	return c.Reader.ShowCode(ctx, req.Case)
}

// TakeOver reads such characters.
func (c *carryService) TakeOver(ctx context.Context, req *pb.TakeOverRequest) (*pb.TakeOverResponse, error) {
	return c.Writer.TakeOver(ctx, entry.Actor{Session: pins.CommandLine}, req)
}

// Backup streams a backup, or the rest of one that was broken off.
func (c *carryService) Backup(req *pb.BackupRequest, stream grpc.ServerStreamingServer[pb.BackupResponse]) error {
	return StreamBackup(stream.Context(), c.Replica, req.On, stream.Send)
}

// StreamBackup sends a backup in pieces, and behind them what was written. It holds one
// piece at a time: send waits until there is room on the way.
func StreamBackup(ctx context.Context, r *replica.Replica, on *pb.BackupMark, send func(*pb.BackupResponse) error) error {
	pieces, sum := &pieces{send: func(data []byte) error { return send(&pb.BackupResponse{Data: data}) }}, sha256.New()
	out, err := replication.Bundles{Replica: r}.Backup(ctx, io.MultiWriter(sum, pieces), on)
	if err == nil {
		err = pieces.flush()
	}
	if err != nil {
		return err
	}
	return send(&pb.BackupResponse{Records: out.Records, Omitted: out.Omitted, Anew: out.Anew, Sha256: sum.Sum(nil), WallUs: out.UntilUs})
}

// BackedUp notes a backup that its writer read back.
func (c *carryService) BackedUp(_ context.Context, req *pb.BackedUpRequest) (*pb.BackedUpResponse, error) {
	return &pb.BackedUpResponse{}, c.Replica.BackedUp(replica.LastBackup{
		Until: time.UnixMicro(req.WallUs), File: req.File, Records: req.Records, Bytes: req.Bytes,
	})
}

// ShowBackups tells the code of this machine's backups, and of the last good one.
func (c *carryService) ShowBackups(context.Context, *pb.ShowBackupsRequest) (*pb.ShowBackupsResponse, error) {
	b := replication.Bundles{Replica: c.Replica}
	src, err := b.BackupSource()
	if err != nil {
		return nil, err
	}
	last, err := c.LastBackup()
	if err != nil {
		return nil, err
	}
	out := &pb.ShowBackupsResponse{Code: src.Code.Text(), Server: c.BackupKey.Server, Bytes: src.Bytes}
	if !last.Until.IsZero() {
		out.LastWallUs, out.LastFile, out.LastRecords, out.LastBytes = last.Until.UnixMicro(), last.File, last.Records, last.Bytes
	}
	return out, nil
}
