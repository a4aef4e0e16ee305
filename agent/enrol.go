package agent

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/refusal"
	"thawtrail/internal/rpc"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/invite"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
)

// enrolWithin bounds the talk with the server.
const enrolWithin = 60 * time.Second

// pendingFile holds a request that was made as a file, until its answer comes.
const pendingFile = "enrol.box"

// Enrolled is what a laptop joined.
type Enrolled struct {
	Practice string    `json:"practice"`
	Name     string    `json:"practice_name"`
	Person   string    `json:"person"`
	Roles    []pb.Role `json:"-"`
	Device   string    `json:"device"` // id of this laptop, hex
}

// joiner is a laptop on its way into a practice, its agent stopped.
type joiner struct {
	home  *trust.Home
	claim *pb.EnrolClaim
}

// prepare opens the folder and looks what the laptop wrote before. A laptop that
// belongs to a practice already stays there.
func prepare(ctx context.Context, cfg Config) (*joiner, error) {
	if err := cfg.fill(); err != nil {
		return nil, err
	}
	home, err := trust.Open(cfg.Data, cfg.Secret, rand.Reader)
	if err != nil {
		return nil, err
	}
	if home.Joined != nil {
		return nil, refusal.Conflict("data", cfg.Data, "a laptop that has joined no practice yet").Because("it belongs to " + home.Joined.PracticeName)
	}
	replica, err := open(ctx, cfg, home)
	if err != nil {
		return nil, err
	}
	j := &joiner{home: home, claim: &pb.EnrolClaim{DeviceName: cfg.named(home)}}
	if j.claim.Practice, err = replica.PracticeID(ctx); err == nil && j.claim.Practice != "" {
		for _, l := range replica.Store.Logs() {
			if l.Key.Equal(replica.Store.PublicKey()) {
				j.claim.Logs = append(j.claim.Logs, exchange.LogTip{Log: l.ID, Tip: l.Tip}.PB())
			}
		}
	}
	return j, errors.Join(err, replica.Store.Close())
}

// Enrol joins the practice whose server answers at cfg.Server, by a one-time
// code. The agent must be stopped. Broken off, it can be called again with the
// same code.
func Enrol(ctx context.Context, cfg Config, code invite.Code) (Enrolled, error) {
	j, err := prepare(ctx, cfg)
	if err != nil {
		return Enrolled{}, err
	}
	ctx, cancel := context.WithTimeout(ctx, enrolWithin)
	defer cancel()
	var channel atomic.Value // []byte; the key of the link's certificate
	channel.Store([]byte(nil))
	var before atomic.Bool
	joining := authority.Joining{
		Print: code.Print(), Fits: code.Fits, Before: func() { before.Store(true) },
		Shown: func(_, server ed25519.PublicKey) { channel.Store([]byte(server)) },
	}
	conn, err := meet(ctx, Addresses(cfg.Server), authority.Enrolment(joining))
	if err != nil && before.Load() {
		joining.Print = ""
		conn, err = meet(ctx, Addresses(cfg.Server), authority.Enrolment(joining))
	}
	if err == nil && conn == nil {
		err = refusal.New("server", cfg.Server, "HOST:PORT of the clinic's server")
	}
	if err != nil {
		return Enrolled{}, err
	}
	defer conn.Close()
	if j.claim.Channel = channel.Load().([]byte); j.claim.Channel == nil {
		return Enrolled{}, fmt.Errorf("the server at %s: %w", cfg.Server, authority.ErrNotOurs)
	}
	req, err := invite.Request(code.Key(), j.home.Device, j.claim, rand.Reader)
	if err != nil {
		return Enrolled{}, err
	}
	resp, err := pb.NewEnrolServiceClient(conn).Enrol(ctx, req)
	if err != nil {
		return Enrolled{}, rpc.Sentence(err)
	}
	return j.accept(code, req, resp, cfg.Server)
}

// meetWithin is how long one address may take to answer.
const meetWithin = 10 * time.Second

// meet makes a link to the first of the server's addresses that answers; nil when there
// are none.
func meet(ctx context.Context, addresses []string, creds credentials.TransportCredentials) (*grpc.ClientConn, error) {
	var failed error
	for _, address := range addresses {
		conn, err := rpc.Dial(address, creds)
		if err != nil {
			return nil, refusal.New("server", address, "HOST:PORT of the clinic's server")
		}
		// The first call makes the link; then it is known whose it is.
		first, cancel := context.WithTimeout(ctx, meetWithin)
		_, err = healthpb.NewHealthClient(conn).Check(first, &healthpb.HealthCheckRequest{})
		cancel()
		if err == nil {
			return conn, nil
		}
		failed = errors.Join(failed, fmt.Errorf("the server at %s: %w", address, rpc.Sentence(err)), conn.Close())
	}
	return nil, failed
}

// accept checks an answer and keeps, durably, which practice the laptop joined.
func (j *joiner) accept(code invite.Code, req *pb.EnrolRequest, resp *pb.EnrolResponse, server string) (Enrolled, error) {
	own := authority.Public(j.home.Device)
	a, err := invite.Accept(code, own, req, resp, func(der []byte) (ed25519.PublicKey, error) {
		_, key, err := authority.ParseCertificate(der)
		return key, err
	})
	if err != nil {
		return Enrolled{}, err
	}
	err = j.home.Join(trust.Joined{
		Practice: a.Practice, PracticeName: a.PracticeName, Founding: a.Founding, Authority: a.Authority,
		Server: server, Person: a.Person, DeviceName: j.claim.DeviceName, Rehearsal: a.Rehearsal,
	})
	return Enrolled{
		Practice: a.Practice, Name: a.PracticeName, Person: a.PersonName, Roles: a.Roles,
		Device: fmt.Sprintf("%x", event.DeviceID(own)),
	}, err
}

// pending is a request whose answer is still to come, and the code that it was
// made with.
type pending struct {
	Code    string `json:"code"`
	Request []byte `json:"request"`
}

// maxFile bounds a request or answer in a file.
const maxFile = invite.MaxClaimBytes + invite.MaxAnswerBytes

// RequestFile writes the request of a laptop without a network to path.
func RequestFile(ctx context.Context, cfg Config, code invite.Code, path string) error {
	j, err := prepare(ctx, cfg)
	if err != nil {
		return err
	}
	req, err := invite.Request(code.Key(), j.home.Device, j.claim, rand.Reader)
	if err != nil {
		return err
	}
	raw, err := proto.Marshal(req)
	if err != nil {
		return err
	}
	kept, err := json.Marshal(pending{code.Text(), raw})
	if err != nil {
		return err
	}
	_, save, err := j.home.Box(pendingFile, vault.Invites)
	if err == nil || errors.Is(err, vault.ErrDamaged) {
		err = save(kept) // a new request takes the place of an old one
	}
	if err != nil {
		return err
	}
	return wholefile.Write(path, raw)
}

// AnswerFile reads the answer to the request that RequestFile wrote.
func AnswerFile(ctx context.Context, cfg Config, path string) (Enrolled, error) {
	raw, err := wholefile.Read(path, maxFile)
	if err != nil {
		return Enrolled{}, err
	}
	resp := &pb.EnrolResponse{}
	if err := proto.Unmarshal(raw, resp); err != nil {
		return Enrolled{}, invite.ErrMalformed
	}
	j, err := prepare(ctx, cfg)
	if err != nil {
		return Enrolled{}, err
	}
	kept, _, err := j.home.Box(pendingFile, vault.Invites)
	if err != nil {
		return Enrolled{}, err
	}
	var p pending
	req := &pb.EnrolRequest{}
	if kept == nil || json.Unmarshal(kept, &p) != nil || proto.Unmarshal(p.Request, req) != nil {
		return Enrolled{}, refusal.Conflict("answer", filepath.Base(path), "the answer to a request that this laptop made")
	}
	code, err := invite.ParseCode(p.Code)
	if err != nil {
		return Enrolled{}, err
	}
	return j.accept(code, req, resp, cfg.Server)
}
