package demo

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/internal/trust/local"
	pb "thawtrail/proto/thawtrail/v1"
)

// site is one replica of the practice: the clinic's server or a laptop.
type site struct {
	name   string // in the column 'where'
	place  string // the freezer beside it
	args   []string
	log    string
	proc   *process
	wire   *wire // to the clinic; nil for the clinic itself
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
	args := append([]string{}, s.args...)
	args = append(args, "--data", filepath.Join(dir, s.name), "--listen", listen)
	if s.wire != nil {
		args = append(args, "--server", s.wire.address())
	}
	proc, err := start(ctx, program, s.log, args...)
	if err != nil {
		return err
	}
	s.proc = proc
	return s.connect()
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

// holds says whether a record is on this replica.
func (s *site) holds(ctx context.Context, hash string) (bool, error) {
	answer, err := s.audit.GetRecord(ctx, &pb.GetRecordRequest{Record: hash})
	if status.Code(err) == codes.NotFound {
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
	cmd := exec.CommandContext(ctx, program, append(words, "--at", s.proc.address)...)
	out, err := cmd.Output()
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		return "", fmt.Errorf("`thawtrail %s`: %s", strings.Join(words, " "), strings.TrimSpace(string(exit.Stderr)))
	}
	return string(out), err
}
