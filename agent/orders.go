package agent

import (
	"context"
	"errors"
	"io"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/access"
	"thawtrail/internal/refusal"
	"thawtrail/internal/rpc"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/order"
	pb "thawtrail/proto/thawtrail/v1"
)

// office answers at an owner's laptop what the office of the practice's server answers
// there, and hands it over as orders. It keeps nothing: without the server nothing is
// ordered, and what is not answered is not sent again by itself.
type office struct {
	pb.UnimplementedHubServiceServer
	home *trust.Home
	who  access.Ordering
	way  *route

	ordering sync.Mutex // one order at a time: the server asks a laptop one thing
}

// orderWithin bounds one order, from the first word to the server.
const orderWithin = 45 * time.Second

// Invite orders a one-time code.
func (o *office) Invite(ctx context.Context, req *pb.InviteRequest) (*pb.InviteResponse, error) {
	what := proto.CloneOf(req)
	what.By, what.Pin = "", ""
	out, err := o.order(ctx, req.By, req.Pin, &pb.OwnerOrder{Action: &pb.OwnerOrder_Invite{Invite: what}})
	return out.GetInvite(), err
}

// inviteForPages is Invite with an error in words, as pages show it.
func (o *office) inviteForPages(ctx context.Context, req *pb.InviteRequest) (*pb.InviteResponse, error) {
	out, err := o.Invite(ctx, req)
	if refused, ok := rpc.Refusal(err); ok {
		return nil, refused
	}
	if said, ok := status.FromError(err); ok && err != nil {
		return nil, refusal.Fail(refusal.ErrUnready, "%s", said.Message())
	}
	return out, err
}

// AdmitFile orders the answer to a laptop whose request came in a file.
func (o *office) AdmitFile(ctx context.Context, req *pb.AdmitFileRequest) (*pb.AdmitFileResponse, error) {
	what := &pb.AdmitFileRequest{Request: req.Request}
	out, err := o.order(ctx, "", req.Pin, &pb.OwnerOrder{Action: &pb.OwnerOrder_AdmitFile{AdmitFile: what}})
	return out.GetAdmitFile(), err
}

// RevokeDevice orders that a laptop is shut out.
func (o *office) RevokeDevice(ctx context.Context, req *pb.RevokeDeviceRequest) (*pb.RevokeDeviceResponse, error) {
	what := proto.CloneOf(req)
	what.By, what.Pin = "", ""
	out, err := o.order(ctx, req.By, req.Pin, &pb.OwnerOrder{Action: &pb.OwnerOrder_RevokeDevice{RevokeDevice: what}})
	return out.GetRevokeDevice(), err
}

// order signs one order in the name of this laptop's owner and has it carried out. The
// person is asked before the server is: a wrong PIN is told without a network.
func (o *office) order(ctx context.Context, by, pin string, what *pb.OwnerOrder) (*pb.OrderResponse, error) {
	var err error
	if what.Person, what.Proof, err = o.who.By(ctx, by, pin); err != nil {
		return nil, err
	}
	o.ordering.Lock()
	defer o.ordering.Unlock()
	ctx, cancel := context.WithTimeout(ctx, orderWithin)
	defer cancel()
	conn, err := o.meet(ctx)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	server := pb.NewOrderServiceClient(conn)
	req, err := o.sign(ctx, server, what)
	if err != nil {
		return nil, err
	}
	out, err := server.Order(ctx, req)
	switch status.Code(err) {
	case codes.Unavailable, codes.DeadlineExceeded:
		return nil, refusal.Fail(refusal.ErrUnavailable, "the link to the clinic's server broke before it answered; whether it was done is not known: look at `thawtrail people` before you order it again")
	}
	return out, err
}

// sign asks the server for a challenge and signs an order that answers it.
func (o *office) sign(ctx context.Context, server pb.OrderServiceClient, what *pb.OwnerOrder) (*pb.OrderRequest, error) {
	asked, err := server.Challenge(ctx, &pb.ChallengeRequest{})
	if err != nil {
		return nil, unordered(err)
	}
	what.Founding, what.Challenge = o.home.Joined.Founding, asked.Challenge
	return order.Sign(o.home.Device, what)
}

// OrderBackup orders a backup and hands it on as it comes, a piece at a time: who reads
// slowly slows the server down. It is not kept here, and cannot be opened here.
func (o *office) OrderBackup(req *pb.OrderBackupRequest, stream grpc.ServerStreamingServer[pb.OrderBackupResponse]) error {
	what, ctx := &pb.OwnerOrder{Action: &pb.OwnerOrder_Backup{Backup: &pb.OrderBackupRequest{}}}, stream.Context()
	var err error
	if what.Person, what.Proof, err = o.who.By(ctx, req.By, req.Pin); err != nil {
		return err
	}
	conn, err := o.meet(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	file, first, err := o.fetch(ctx, cancel, pb.NewOrderServiceClient(conn), what)
	for piece := first; err == nil; piece, err = file.Recv() {
		if err := stream.Send(&pb.OrderBackupResponse{Backup: piece.Backup}); err != nil {
			return err
		}
	}
	switch {
	case errors.Is(err, io.EOF):
		return nil
	case status.Code(err) == codes.Unavailable && first != nil:
		return refusal.Fail(refusal.ErrUnavailable, "the link to the clinic's server broke before the backup was whole: order it again")
	}
	return err
}

// fetch orders a file, up to its first piece: until then other orders wait, for the server
// asks a laptop one thing at a time.
func (o *office) fetch(ctx context.Context, cancel func(), server pb.OrderServiceClient, what *pb.OwnerOrder) (file grpc.ServerStreamingClient[pb.FetchResponse], first *pb.FetchResponse, err error) {
	o.ordering.Lock()
	defer o.ordering.Unlock()
	late := time.AfterFunc(orderWithin, cancel)
	defer late.Stop()
	req, err := o.sign(ctx, server, what)
	if err != nil {
		return nil, nil, err
	}
	if file, err = server.Fetch(ctx, &pb.FetchRequest{Order: req}); err == nil {
		first, err = file.Recv()
	}
	if err != nil && !late.Stop() {
		err = status.Error(codes.DeadlineExceeded, "the server did not answer in time")
	}
	if err != nil {
		return nil, nil, unordered(err)
	}
	return file, first, nil
}

// meet makes a link of its own for an order: the records' goes on beside it.
func (o *office) meet(ctx context.Context) (*grpc.ClientConn, error) {
	if o.home.Joined == nil {
		return nil, refusal.Fail(refusal.ErrUnready, "this laptop belongs to no practice with a server")
	}
	root, err := o.home.Joined.Root()
	if err != nil {
		return nil, err
	}
	creds, err := authority.Practice(o.home.Device, root)
	if err != nil {
		return nil, err
	}
	conn, err := meet(ctx, o.way.addresses(), creds)
	switch {
	case err != nil:
		return nil, refusal.Fail(refusal.ErrUnavailable, "the clinic's server is needed for this, and nothing was ordered: %s", err.Error())
	case conn == nil:
		return nil, refusal.Fail(refusal.ErrUnready, "the clinic's server is needed for this, and this laptop knows no address of it: start its agent with --server ADDRESS")
	}
	return conn, nil
}

// unordered words what kept an order from being given.
func unordered(err error) error {
	switch status.Code(err) {
	case codes.Unimplemented:
		return refusal.Fail(refusal.ErrUnready, "the clinic's server is of an older version that does not take this order from afar: bring it up to date, or do this at the server itself")
	case codes.Unavailable, codes.DeadlineExceeded:
		return refusal.Fail(refusal.ErrUnavailable, "the clinic's server is needed for this, and nothing was ordered: %s", status.Convert(err).Message())
	}
	return err
}
