package bench

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"thawtrail/internal/exchange"
	"thawtrail/internal/store/index"
	pb "thawtrail/proto/thawtrail/v1"
)

const rawLimit = "the same bytes over mutual-TLS gRPC in 1 MiB batches one after the other, hash chain and one signature a batch, " +
	"one synced Badger transaction a batch, no fold, no index, not encrypted on the disk"

// rawPipeline is the raw way from one process half to the other: the sender has
// the records in memory, the receiver has an empty Badger.
type rawPipeline struct {
	records [][]byte
	public  ed25519.PublicKey
	private ed25519.PrivateKey
	dir     string
	streams bool // do not wait for acknowledgements
}

// raw measures the pipeline in one direction, with TLS or without.
func (l *lab) raw(ctx context.Context, n int64, pull, streams bool, link bareLink) (time.Duration, error) {
	records, err := l.wire(ctx, n)
	if err != nil {
		return 0, err
	}
	dir, err := l.folder("raw")
	if err != nil {
		return 0, err
	}
	public, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return 0, err
	}
	p := &rawPipeline{records: records, public: public, private: private, dir: dir, streams: streams}
	return p.run(ctx, pull, link)
}

// run sets both halves up, and times from the first byte to the last
// acknowledgement.
func (p *rawPipeline) run(ctx context.Context, pull bool, link bareLink) (took time.Duration, err error) {
	db, err := index.OpenLimit(p.dir)
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	to := &rawReceiver{db: db, public: p.public}
	handler := func(s grpc.ServerStream) error {
		if pull {
			return p.send(s)
		}
		return to.receive(s)
	}
	conn, stop, err := link.connect(handler)
	if err != nil {
		return 0, err
	}
	defer stop()
	stream, err := openBare(ctx, conn)
	if err != nil {
		return 0, err
	}
	watch := stopwatch()
	if pull {
		err = to.receive(stream)
	} else {
		err = p.send(stream)
	}
	return watch(), err
}

// msgStream is what both ends of a bare stream can do.
type msgStream interface {
	SendMsg(m any) error
	RecvMsg(m any) error
}

// send hands over all batches. Each is acknowledged before the next one goes
// out, as in our exchange; a streaming sender does not wait.
func (p *rawPipeline) send(s msgStream) error {
	var chain [sha256.Size]byte
	batches, acked := 0, 0
	for from := 0; from < len(p.records); batches++ {
		end, size := from, 0
		for end < len(p.records) && size < exchange.MaxBatchBytes {
			size += len(p.records[end])
			chain = linked(chain, p.records[end])
			end++
		}
		batch := &pb.PushRequest{Device: ed25519.Sign(p.private, chain[:]), Runs: []*pb.Run{{From: uint64(from), Records: p.records[from:end]}}}
		if err := s.SendMsg(batch); err != nil {
			return err
		}
		from = end
		if !p.streams {
			acked++
			if err := s.RecvMsg(&pb.Tip{}); err != nil {
				return err
			}
		}
	}
	for ; acked < batches; acked++ {
		if err := s.RecvMsg(&pb.Tip{}); err != nil {
			return err
		}
	}
	return nil
}

// linked is the hash of a record in its chain.
func linked(before [sha256.Size]byte, record []byte) [sha256.Size]byte {
	h := sha256.New()
	h.Write(before[:])
	h.Write(record)
	return [sha256.Size]byte(h.Sum(nil))
}

// rawReceiver verifies batches and stores them.
type rawReceiver struct {
	db     *index.Limit
	public ed25519.PublicKey
	chain  [sha256.Size]byte
	next   uint64
}

// receive takes batches until the sender has none left, and acknowledges each.
func (r *rawReceiver) receive(s msgStream) error {
	for {
		batch := &pb.PushRequest{}
		if err := s.RecvMsg(batch); err != nil {
			return ended(err)
		}
		if err := r.take(batch); err != nil {
			return err
		}
		if err := s.SendMsg(&pb.Tip{Seq: r.next, Hash: r.chain[:]}); err != nil {
			return ended(err)
		}
	}
}

func (r *rawReceiver) take(batch *pb.PushRequest) error {
	records := batch.Runs[0].Records
	keys := make([][]byte, len(records))
	for i, rec := range records {
		r.chain = linked(r.chain, rec)
		keys[i] = binary.BigEndian.AppendUint64(nil, r.next)
		r.next++
	}
	if !ed25519.Verify(r.public, r.chain[:], batch.Device) {
		return errors.New("raw pipeline: the signature does not fit")
	}
	return r.db.Put(keys, records)
}

// bareLink is a way to connect two halves in this process.
type bareLink struct {
	name           string
	server, client credentials.TransportCredentials
}

// serve serves a bare stream on loopback.
func (b bareLink) serve(handler func(grpc.ServerStream) error) (addr string, stop func(), err error) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", nil, err
	}
	s := bareServer(b.server, handler)
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = s.Serve(listener) // ends by Stop below
	}()
	return listener.Addr().String(), func() { s.Stop(); <-done }, nil
}

// connect serves a bare stream and dials it.
func (b bareLink) connect(handler func(grpc.ServerStream) error) (*grpc.ClientConn, func(), error) {
	addr, stop, err := b.serve(handler)
	if err != nil {
		return nil, nil, err
	}
	conn, err := bareDial(addr, b.client)
	if err != nil {
		stop()
		return nil, nil, fmt.Errorf("raw pipeline: %w", err)
	}
	return conn, func() { _ = conn.Close(); stop() }, nil
}
