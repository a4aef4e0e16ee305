package cli

import (
	"context"
	"encoding/hex"
	"fmt"
	"io"
	"time"

	"thawtrail/internal/refusal"
	"thawtrail/internal/replication"
	pb "thawtrail/proto/thawtrail/v1"
)

// orderBackup has an owner's agent order a backup of the practice's server, and writes it
// as it comes.
func (d *console) orderBackup(ctx context.Context, f *ownForm, pin *flagOf, path string) error {
	conn, address, done, err := d.door(f.data.text())
	if err != nil {
		return err
	}
	defer done()
	if conn == nil {
		return refusal.Conflict("data", f.data.text(), "the folder of an owner's laptop whose agent runs").
			Because("a backup of the server is ordered over the link that the agent makes")
	}
	office := pb.NewHubServiceClient(conn)
	var last *pb.BackupResponse
	var size int64
	err = d.pinFor(pin, func(pin string) (err error) {
		size, err = replication.SealedFile(path, func(to io.Writer) ([]byte, error) {
			last, err = receiveOrdered(ctx, office, pin, to, address)
			return last.GetSha256(), err
		})
		return err
	})
	if err != nil {
		return err
	}
	return d.tellOrdered(f, path, size, last)
}

// receiveOrdered writes what the server sends, up to the last piece, which tells what it was.
func receiveOrdered(ctx context.Context, office pb.HubServiceClient, pin string, to io.Writer, address string) (*pb.BackupResponse, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := office.OrderBackup(ctx, &pb.OrderBackupRequest{Pin: pin})
	if err != nil {
		return nil, inWords(err, address)
	}
	return receivePieces(to, func() (*pb.BackupResponse, error) {
		m, err := stream.Recv()
		return m.GetBackup(), err
	}, address)
}

func (d *console) tellOrdered(f *ownForm, path string, size int64, last *pb.BackupResponse) error {
	until := time.UnixMicro(last.WallUs)
	sum := hex.EncodeToString(last.Sha256)
	lines := []string{
		fmt.Sprintf("%s, all that was saved at the server until %s, are in %s (%s), as the server sent them.", count(int(last.Records), "record"), d.moment(until), line(path), sizeText(size)),
		"The recovery sheet opens it, and this laptop cannot: `thawtrail backup check FILE --sheet -` reads every record in it.",
		"SHA-256 of the file: " + sum,
	}
	for _, o := range last.Omitted {
		lines = append(lines, "Not in it: "+o)
	}
	whole := len(last.Omitted) == 0
	if err := d.tell(f, map[string]any{
		"ok": whole, "records": last.Records, "bytes": size, "file": path, "sha256": sum, "until": rfc(until),
		"omitted": append([]string{}, last.Omitted...), "sheet_opens": true, "from_server": true,
	}, lines...); err != nil || whole {
		return err
	}
	return exitError{exitFailed}
}
