package server

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/internal/access"
	"thawtrail/internal/event"
	"thawtrail/internal/refusal"
	"thawtrail/internal/rpc"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/order"
	pb "thawtrail/proto/thawtrail/v1"
)

// orders carries out what owners order from afar: what the office does for whoever sits
// at the server. An order counts from the laptop that the books give to an owner, and from
// no other: whoever has changed the program of another laptop orders nothing with it,
// whatever PIN it says that it saw.
type orders struct {
	pb.UnimplementedOrderServiceServer
	office  *registry
	asked   *order.Challenges
	fetches chan struct{} // the place for a file on its way: one a practice
}

func newOrders(office *registry) *orders {
	return &orders{office: office, asked: order.NewChallenges(office.replica.Clock.Monotonic, rand.Reader), fetches: make(chan struct{}, 1)}
}

// Challenge begins an order.
func (o *orders) Challenge(ctx context.Context, _ *pb.ChallengeRequest) (*pb.ChallengeResponse, error) {
	caller, _, err := o.owner(ctx)
	if err != nil {
		return nil, err
	}
	challenge, err := o.asked.Ask(caller.Device, caller.Link)
	if errors.Is(err, order.ErrTooMany) {
		return nil, refusal.Fail(refusal.ErrTooMuch, "%s", err.Error())
	}
	return &pb.ChallengeResponse{Challenge: challenge}, err
}

// owner is whose laptop calls: an owner's, by the books as they stand now.
func (o *orders) owner(ctx context.Context) (caller authority.Caller, person string, err error) {
	caller, ok := authority.CallerOf(ctx)
	if !ok || caller.Way != authority.ByDevice {
		return caller, "", status.Error(codes.PermissionDenied, "orders come over the link of an owner's laptop")
	}
	rights, err := access.RightsOf(ctx, o.office.replica.Store)
	if err != nil {
		return caller, "", err
	}
	person = access.JoinedFor(rights, event.DeviceID(caller.Device))
	switch _, ok := rights.GrantFor(person, []pb.Role{pb.Role_ROLE_OWNER}); {
	case person == "":
		return caller, "", refusal.Fail(refusal.ErrDenied, "the books do not say whose laptop this is; orders to the server come from a laptop that joined for an owner")
	case !ok:
		return caller, "", refusal.Fail(refusal.ErrDenied, "orders to the server come from an owner's own laptop; whom this one joined for has not the role owner")
	}
	return caller, person, nil
}

// Order carries out what an owner's laptop signed.
func (o *orders) Order(ctx context.Context, req *pb.OrderRequest) (*pb.OrderResponse, error) {
	what, err := o.accept(ctx, req)
	if err != nil {
		return nil, err
	}
	by := what.Proof
	by.OrderedAt = what.Device
	out, name, err := o.carryOut(ctx, what, by)
	if err != nil {
		return nil, err
	}
	o.carriedOut(what, name)
	return out, nil
}

func (o *orders) carriedOut(what *pb.OwnerOrder, name string) {
	o.office.replica.Log.Info("an owner's order was carried out", "order", name, "person", what.Person, "laptop", hex.EncodeToString(what.Device)[:12])
}

// Fetch carries out an order whose answer is a file: a backup, sealed as the server's own
// are. The recovery sheet opens it; its code leaves the server with no order.
func (o *orders) Fetch(req *pb.FetchRequest, stream grpc.ServerStreamingServer[pb.FetchResponse]) error {
	ctx := stream.Context()
	what, err := o.accept(ctx, req.Order)
	if err != nil {
		return err
	}
	if what.GetBackup() == nil {
		return status.Error(codes.InvalidArgument, "the answer to this order is no file")
	}
	select {
	case o.fetches <- struct{}{}:
		defer func() { <-o.fetches }()
	default:
		return refusal.Fail(refusal.ErrTooMuch, "another backup of this practice is on its way; order it again when that one is done")
	}
	err = rpc.StreamBackup(ctx, o.office.replica, nil, func(piece *pb.BackupResponse) error {
		// What was an owner's right when it began ends with the role, also in mid-file.
		if _, _, err := o.owner(ctx); err != nil {
			return err
		}
		return taken(takenWithin, func() error { return stream.Send(&pb.FetchResponse{Backup: piece}) })
	})
	if err == nil {
		o.carriedOut(what, "backup")
	}
	return err
}

// takenWithin is how long a laptop may leave one piece of a file on its way before others
// get the place: at 256 kB a minute, any line is faster.
const takenWithin = time.Minute

// taken waits for a send that its reader may never make room for. What it leaves behind
// ends with the stream.
func taken(within time.Duration, send func() error) error {
	sent := make(chan error, 1)
	go func() { sent <- send() }()
	late := time.NewTimer(within)
	defer late.Stop()
	select {
	case err := <-sent:
		return err
	case <-late.C:
		return status.Errorf(codes.Aborted, "the file was not taken any further for %s", within)
	}
}

// accept opens an order and says what is to be done: it is an owner's, of this laptop, and
// answers what was asked on this link.
func (o *orders) accept(ctx context.Context, req *pb.OrderRequest) (*pb.OwnerOrder, error) {
	caller, owner, err := o.owner(ctx)
	if err != nil {
		return nil, err
	}
	what, err := order.Open(caller.Device, req)
	switch {
	case errors.Is(err, order.ErrForged):
		return nil, status.Error(codes.PermissionDenied, err.Error())
	case errors.Is(err, order.ErrNewer):
		return nil, status.Error(codes.FailedPrecondition, err.Error())
	case err != nil:
		return nil, status.Error(codes.InvalidArgument, err.Error())
	case !o.asked.Take(caller.Device, caller.Link, what.Challenge):
		return nil, status.Error(codes.PermissionDenied, "this order answers nothing that the server asked on this link, or came too late; give it again")
	case !bytes.Equal(what.Founding, o.office.home.Joined.Founding):
		return nil, status.Error(codes.PermissionDenied, "this order is for another practice")
	case what.Person != owner:
		return nil, status.Error(codes.PermissionDenied, "this order is in the name of another person than the owner for whom this laptop joined")
	}
	return what, nil
}

// carryOut does what is ordered, and says what that was.
func (o *orders) carryOut(ctx context.Context, what *pb.OwnerOrder, by *pb.AuthorProof) (*pb.OrderResponse, string, error) {
	switch a := what.Action.(type) {
	case *pb.OwnerOrder_Invite:
		a.Invite.By = what.Person
		out, err := o.office.invite(ctx, a.Invite, by)
		return &pb.OrderResponse{Answer: &pb.OrderResponse_Invite{Invite: out}}, "invite", err
	case *pb.OwnerOrder_AdmitFile:
		out, err := o.office.AdmitFile(ctx, a.AdmitFile)
		return &pb.OrderResponse{Answer: &pb.OrderResponse_AdmitFile{AdmitFile: out}}, "admit", err
	case *pb.OwnerOrder_RevokeDevice:
		a.RevokeDevice.By = what.Person
		out, err := o.office.revoke(ctx, a.RevokeDevice, by)
		return &pb.OrderResponse{Answer: &pb.OrderResponse_RevokeDevice{RevokeDevice: out}}, "revoke", err
	}
	return nil, "", status.Error(codes.InvalidArgument, order.ErrMalformed.Error())
}
