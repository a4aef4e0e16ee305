package cli

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"time"

	"github.com/spf13/pflag"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/zone"
	pb "thawtrail/proto/thawtrail/v1"
)

const (
	answerWithin = 60 * time.Second
	maxAnswer    = 64 << 20 // bytes; a year's audit of a large practice is below
)

// link is the way to an agent or server, by --at.
type link struct {
	d    *console
	at   *flagOf
	json *flagOf
}

func (d *console) bindLink(set *pflag.FlagSet) *link {
	l := &link{
		d:    d,
		at:   &flagOf{name: "at", metavar: "ADDRESS", help: "the agent or server to ask, or its data folder (" + d.address + ")"},
		json: jsonFlag(),
	}
	bindCommon(set, l.at, l.json)
	return l
}

func jsonFlag() *flagOf {
	return &flagOf{name: "json", metavar: metaSwitch, help: "print one JSON object"}
}

func (l *link) address() string {
	if l.at.given() {
		return l.at.text()
	}
	return l.d.address
}

// call asks one method and waits for its answer.
func (l *link) call(ctx context.Context, method string, req, answer proto.Message) error {
	address := l.address()
	if _, _, err := net.SplitHostPort(address); err != nil && !local.IsFolder(address) {
		return refusal.New("at", address, "HOST:PORT of an agent or server, e.g. "+defaultAddress+", or its data folder")
	}
	target, options := local.Target(address)
	conn, err := l.d.dial(target, append(options, grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxAnswer)))...)
	if err != nil {
		return refusal.New("at", address, "HOST:PORT of an agent or server")
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	return inWords(conn.Invoke(ctx, method, req, answer), address)
}

// inPracticeZone reads typed times in the practice's zone, as the pages do. Where
// nobody answers, this laptop's stays: the call that follows says why.
func (l *link) inPracticeZone(ctx context.Context, typed bool) {
	if !typed {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, zoneWithin)
	defer cancel()
	out := &pb.GetStatusResponse{}
	if l.call(ctx, pb.AuditService_GetStatus_FullMethodName, &pb.GetStatusRequest{}, out) != nil || out.Zone == "" {
		return
	}
	if tz, err := zone.Load(out.Zone); err == nil {
		l.d.zone, l.d.zoneName = tz, out.Zone
	}
}

// zoneWithin is how long the practice's zone is waited for.
const zoneWithin = 5 * time.Second

// inWords tells a failed call in the user's words; refusals stay as they are.
func inWords(err error, address string) error {
	if err == nil {
		return nil
	}
	switch s := status.Convert(err); s.Code() {
	case codes.Unavailable:
		return unavailable(s.Message(), address)
	case codes.Unauthenticated:
		return ofAnother(address)
	case codes.Unimplemented:
		return fmt.Errorf("the program at %s is older than this command", address)
	case codes.DeadlineExceeded:
		return fmt.Errorf("%s did not answer in time; whether it was done is not known, so ask before typing it again", address)
	case codes.Canceled:
		return errors.New("interrupted")
	case codes.InvalidArgument, codes.FailedPrecondition:
		return err
	default:
		return errors.New(s.Message())
	}
}

// ofAnother is what a program says to somebody who did not start it.
func ofAnother(address string) error {
	return fmt.Errorf("what answers at %s was started by another user, and answers that user alone; a service answers its group: `sudo thawtrail service install agent --for USER`, and log in again", address)
}

// answersWithin is how long a program is looked for that may not be there.
const answersWithin = time.Second

// answers says whether any program listens at an address.
func answers(address string) bool {
	conn, err := net.DialTimeout("tcp", address, answersWithin)
	if err != nil {
		return false
	}
	_ = conn.Close() // nothing was said
	return true
}

// noConnection begins what gRPC says of a link of ours that could not be made.
const noConnection = "connection error"

// unavailable tells apart nobody there, a link that broke on the way, and an
// agent that itself says why it cannot.
func unavailable(message, address string) error {
	// What an agent tells of its own link to the server may have such words further in.
	switch {
	case strings.HasPrefix(message, noConnection) && answers(address):
		return ofAnother(address)
	case strings.HasPrefix(message, noConnection):
		return fmt.Errorf("no agent answers at %s; start one with `thawtrail agent --data DIR`", address)
	case strings.HasPrefix(message, "error reading from server"), strings.HasPrefix(message, "transport is closing"):
		return fmt.Errorf("the link to %s broke before it answered; whether it was done is not known, so ask before typing it again", address)
	}
	return errors.New(message)
}

// write sends an entry and prints what was saved.
func (l *link) write(ctx context.Context, req *pb.WriteRequest) error {
	answer := &pb.WriteResponse{}
	if err := l.call(ctx, pb.RecordService_Write_FullMethodName, req, answer); err != nil {
		return err
	}
	return l.d.answer(l.json, answer)
}
