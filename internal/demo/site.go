package demo

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/internal/demo/wire"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
)

// site is one replica of the practice: the clinic's server or a laptop.
type site struct {
	name   string // in the column 'where'
	place  string // the freezer beside it
	args   []string
	log    string
	proc   *process
	wire   *wire.Wire // to the clinic; nil for the clinic itself
	pages  bool       // serves its pages too
	conn   *grpc.ClientConn
	record pb.RecordServiceClient
	stock  pb.StockServiceClient
	cases  pb.CaseServiceClient
	audit  pb.AuditServiceClient
	plan   pb.PlanServiceClient
}

const callWithin = 30 * time.Second

// open starts the site's process and connects to it. Started again, it answers
// at the address it had.
func (s *site) open(ctx context.Context, program, dir string) error {
	listen := "127.0.0.1:0"
	if s.proc != nil {
		listen = s.proc.address
	}
	s.log = filepath.Join(dir, s.name+".log")
	folder, err := s.folder(dir)
	if err != nil {
		return err
	}
	args := append(append([]string{}, s.args...), "--listen", listen)
	args = append(args, folder...)
	if s.pages {
		args = append(args, "--pages", "127.0.0.1:0")
	}
	if s.wire != nil {
		args = append(args, "--server", s.wire.Address())
	}
	proc, err := start(ctx, program, s.log, args...)
	if err != nil {
		return err
	}
	s.proc = proc
	return s.connect()
}

// addresses are the one-time addresses that open the site's pages.
func (s *site) addresses(dir string) ([]string, error) {
	text, err := os.ReadFile(filepath.Join(dir, s.name, "page.url"))
	if err != nil {
		return nil, fmt.Errorf("pages of %s: %w", s.name, err)
	}
	return strings.Fields(string(text)), nil
}

// folder is the site's data folder and the file with its passphrase, as flags.
// The passphrase is drawn when the folder is begun.
func (s *site) folder(dir string) ([]string, error) {
	file := filepath.Join(dir, s.name+".passphrase")
	if _, err := os.Stat(file); errors.Is(err, fs.ErrNotExist) {
		words, err := vault.NewPhrase(vault.PhraseWords, rand.Reader)
		if err != nil {
			return nil, err
		}
		if err := wholefile.Write(file, []byte(words+"\n")); err != nil {
			return nil, err
		}
	}
	return []string{"--data", filepath.Join(dir, s.name), "--passphrase-file", file}, nil
}

// office runs a command on the site's own folder and reads its JSON answer.
func (s *site) office(ctx context.Context, program, dir string, answer any, words ...string) error {
	folder, err := s.folder(dir)
	if err != nil {
		return err
	}
	out, err := output(ctx, program, append(append(words, folder...), "--json"))
	if err != nil {
		return err
	}
	return json.Unmarshal([]byte(out), answer)
}

// begin makes the practice on the clinic's server.
func (s *site) begin(ctx context.Context, program, dir, zone string) error {
	var begun struct{ Practice string }
	return s.office(ctx, program, dir, &begun, "server", "init", "--practice", "Alder Creek Equine", "--zone", zone,
		"--currency", "AUD", "--igg-unit", "g_per_l", "--owner", owner)
}

// join lets this laptop into the clinic's practice by a one-time code.
func (s *site) join(ctx context.Context, program, dir string, clinic *site, person string) (string, error) {
	var invited struct{ Code string }
	if err := clinic.office(ctx, program, dir, &invited, "server", "invite", "--person", person); err != nil {
		return "", err
	}
	var joined struct{ Device string }
	return invited.Code, s.office(ctx, program, dir, &joined, "agent", "enrol", invited.Code, "--server", s.wire.Address(), "--name", s.name+" laptop")
}

func (s *site) connect() error {
	if s.conn != nil {
		_ = s.conn.Close() // the process behind it is gone
	}
	conn, err := dial(s.proc.address)
	if err != nil {
		return err
	}
	s.conn = conn
	s.record, s.stock, s.cases = pb.NewRecordServiceClient(conn), pb.NewStockServiceClient(conn), pb.NewCaseServiceClient(conn)
	s.audit, s.plan = pb.NewAuditServiceClient(conn), pb.NewPlanServiceClient(conn)
	return nil
}

// dial is the way that commands take too.
func dial(address string) (*grpc.ClientConn, error) {
	target, options := local.Target(address)
	return grpc.NewClient(target, append(options, grpc.WithUnaryInterceptor(deadline))...)
}

// deadline bounds every call.
func deadline(ctx context.Context, method string, req, answer any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	ctx, cancel := context.WithTimeout(ctx, callWithin)
	defer cancel()
	return invoke(ctx, method, req, answer, conn, opts...)
}

// close ends the process.
func (s *site) close() {
	if s.conn != nil {
		_ = s.conn.Close() // nothing is under way any more
	}
	if s.proc != nil {
		s.proc.stop()
	}
}

// explain adds to a failed call what the process said before it ended.
func (s *site) explain(err error) error {
	if s.proc.ended() {
		return fmt.Errorf("%s: %w; its process has ended: %s", s.name, err, lastLine(s.log))
	}
	return fmt.Errorf("%s: %w", s.name, err)
}

// holds says whether a record is on this replica and can be read.
func (s *site) holds(ctx context.Context, hash string) (bool, error) {
	answer, err := s.audit.GetRecord(ctx, &pb.GetRecordRequest{Record: hash})
	if code := status.Code(err); code == codes.NotFound || code == codes.DataLoss {
		return false, nil
	}
	if err != nil {
		return false, s.explain(err)
	}
	return answer.Record == hash, nil
}

// command runs a command line of the program against this site and gives what
// it printed.
func (s *site) command(ctx context.Context, program string, words ...string) (string, error) {
	return output(ctx, program, append(words, "--at", s.proc.address))
}

// output runs a command line of the program and gives what it printed.
func output(ctx context.Context, program string, words []string) (string, error) {
	out, err := exec.CommandContext(ctx, program, words...).Output()
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		return "", fmt.Errorf("`thawtrail %s`: %s", strings.Join(words, " "), strings.TrimSpace(string(exit.Stderr)))
	}
	return string(out), err
}
