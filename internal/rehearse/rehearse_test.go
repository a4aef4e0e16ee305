package rehearse

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"thawtrail/agent"
	"thawtrail/internal/bundle"
	"thawtrail/internal/entry"
	"thawtrail/internal/query"
	"thawtrail/internal/replica"
	"thawtrail/internal/replication"
	"thawtrail/internal/trust/invite"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
	"thawtrail/server"
)

// cheap is the cost of passphrases in tests; the arithmetic is the same.
var cheap = vault.Cost{Passes: 1, MemoryKiB: 64, Lanes: 1}

// clinic is a real practice with one laptop.
type clinic struct {
	t       *testing.T
	secret  vault.Secret
	data    string // of the server
	address string
	hub     *grpc.ClientConn
	laptop  *replica.Replica
}

func newClinic(t *testing.T) *clinic {
	t.Helper()
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
	t.Setenv("TMPDIR", t.TempDir())
	secret, err := vault.Passphrase("abbey acorn actor adobe alarm")
	require.NoError(t, err)
	c := &clinic{t: t, secret: secret, data: t.TempDir()}
	_, err = server.Init(t.Context(), server.InitConfig{Data: c.data, Secret: &c.secret, Cost: cheap, Practice: "Alder Creek Equine", Zone: "UTC", Owner: owner})
	require.NoError(t, err)
	c.address = c.runs(func(ctx context.Context, ready func(string)) error {
		return server.Run(ctx, server.Config{Data: c.data, Secret: &c.secret, Listen: "127.0.0.1:0", Ready: ready})
	})
	door, err := local.OfData(c.data)
	require.NoError(t, err)
	target, options := door.Target()
	c.hub, err = grpc.NewClient(target, options...)
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.hub.Close() })
	cfg := agent.Config{Data: t.TempDir(), Secret: &c.secret, Server: c.address, Listen: "127.0.0.1:0", Name: "north laptop", Opened: func(r *replica.Replica) { c.laptop = r }}
	_, err = vault.Create(wholefile.Folder(cfg.Data), &c.secret, cheap, bytes.NewReader(bytes.Repeat([]byte("k"), 4096)))
	require.NoError(t, err)
	_, err = agent.Enrol(t.Context(), cfg, c.invites())
	require.NoError(t, err)
	c.runs(func(ctx context.Context, ready func(string)) error {
		cfg.Ready = ready
		return agent.Run(ctx, cfg)
	})
	require.Eventually(t, func() bool { return c.laptop.Link.State() == "connected" && c.laptop.Store.Records() >= c.records() }, patience, 10*time.Millisecond)
	return c
}

func (c *clinic) invites() invite.Code {
	c.t.Helper()
	out, err := pb.NewHubServiceClient(c.hub).Invite(c.t.Context(), &pb.InviteRequest{Person: vet, Roles: []pb.Role{pb.Role_ROLE_VET}})
	require.NoError(c.t, err)
	code, err := invite.ParseCode(out.Code)
	require.NoError(c.t, err)
	return code
}

// runs starts a program and gives where it answers.
func (c *clinic) runs(run func(ctx context.Context, ready func(string)) error) string {
	c.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	said, ended := make(chan string, 1), make(chan error, 1)
	go func() { ended <- run(ctx, func(a string) { said <- a }) }()
	c.t.Cleanup(func() { cancel(); <-ended })
	select {
	case a := <-said:
		return a
	case err := <-ended:
		ended <- err
		c.t.Fatalf("it ended: %v", err)
	}
	return ""
}

func (c *clinic) records() int64 {
	c.t.Helper()
	out, err := pb.NewAuditServiceClient(c.hub).GetStatus(c.t.Context(), &pb.GetStatusRequest{})
	require.NoError(c.t, err)
	return out.Records
}

// rehearsed is a rehearsal in which plasma runs.
func rehearsed(t *testing.T) (a *act, id string) {
	t.Helper()
	cfg := Config{}
	cfg.fill()
	ctx, cancel := context.WithCancel(context.Background())
	a, err := (&stage{cfg: cfg, ctx: ctx, over: make(chan error, 1)}).begin(ctx, cfg.Listen, cfg.Pages)
	require.NoError(t, err)
	t.Cleanup(func() {
		cancel()
		require.NoError(t, a.close())
		left, err := filepath.Glob(filepath.Join(os.TempDir(), folderName+"*"))
		require.NoError(t, err)
		require.Empty(t, left, "nothing is left on the disk")
	})
	id, _ = runsPlasma(t, a.laptop, vet, car)
	return a, id
}

// runsPlasma opens a case on a laptop and starts a bag that was found there.
func runsPlasma(t *testing.T, r *replica.Replica, author, place string) (id, bag string) {
	t.Helper()
	w := entry.NewWriter(r)
	write := func(body *pb.Entry) string {
		out, err := w.Write(t.Context(), &pb.WriteRequest{Entry: body, Author: author, Overrides: []*pb.Override{
			{Code: "start_not_checked", Reason: "by eye"}, {Code: "start_not_thawed", Reason: "by hand"},
		}})
		require.NoError(t, err)
		if len(out.Made) == 0 {
			return ""
		}
		return out.Made[0]
	}
	id = write(&pb.Entry{Body: &pb.Entry_CaseOpened{CaseOpened: &pb.CaseOpened{Kind: pb.PatientKind_PATIENT_KIND_FOAL, DamName: "Copper Lantern", Markings: "blaze"}}})
	bag = write(&pb.Entry{Body: &pb.Entry_BagFound{BagFound: &pb.BagFound{Product: product, Batch: "R1101", Expiry: "2099-04", VolumeMl: bagMl, Place: place}}})
	write(&pb.Entry{Body: &pb.Entry_TransfusionStarted{TransfusionStarted: &pb.TransfusionStarted{Case: id, Bag: bag}}})
	return id, bag
}

// TestNothingOfARehearsalReachesTheBooks tries every way there is from a rehearsal into
// a real practice, and back.
func TestNothingOfARehearsalReachesTheBooks(t *testing.T) {
	real := newClinic(t)
	a, id := rehearsed(t)
	require.True(t, a.laptop.Rehearsal())
	require.False(t, real.laptop.Rehearsal())

	// A file of its records.
	code, err := bundle.NewCode(a.laptop.Random)
	require.NoError(t, err)
	var file bytes.Buffer
	_, err = replication.Bundles{Replica: a.laptop}.Write(t.Context(), &file, code, id)
	require.NoError(t, err)
	_, err = replication.Bundles{Replica: real.laptop}.Read(t.Context(), bytes.NewReader(file.Bytes()), code)
	require.ErrorContains(t, err, "REHEARSAL")
	require.ErrorContains(t, err, "nothing was taken")

	// A file of real records in the rehearsal.
	file.Reset()
	_, err = replication.Bundles{Replica: real.laptop}.Write(t.Context(), &file, code, "")
	require.NoError(t, err)
	_, err = replication.Bundles{Replica: a.laptop}.Read(t.Context(), bytes.NewReader(file.Bytes()), code)
	require.ErrorContains(t, err, "nothing was taken")

	// A code of a running case, typed from one screen into the other.
	shown, err := query.Reader{Replica: a.laptop}.ShowCode(t.Context(), id)
	require.NoError(t, err)
	typed := &pb.TakeOverRequest{Code: shown.Rows[0] + shown.Rows[1] + shown.Rows[2] + shown.Rows[3], Dam: shown.Dam, Mark: shown.Mark, Author: vet}
	_, err = entry.NewWriter(real.laptop).TakeOver(t.Context(), entry.Actor{}, typed)
	require.ErrorContains(t, err, "nothing of a rehearsal comes into the books")

	// Its laptop joins another practice, and its folder another server.
	cfg := agent.Config{Data: a.data("laptop"), Secret: &a.secret, Server: real.address, Listen: "127.0.0.1:0"}
	_, err = agent.Enrol(t.Context(), cfg, real.invites())
	require.ErrorContains(t, err, "it belongs to REHEARSAL")
	a.stop()
	a.parts.Wait()
	var again *replica.Replica
	cfg.Opened = func(r *replica.Replica) { again = r }
	real.runs(func(ctx context.Context, ready func(string)) error {
		cfg.Ready = ready
		return agent.Run(ctx, cfg)
	})
	require.Never(t, func() bool { return again.Link.State() == "connected" }, 3*time.Second, 20*time.Millisecond)
	require.True(t, again.Rehearsal(), "it stays one, whoever starts it")
	require.Nil(t, again.Rehearsals, "and begins none")

	real.knowsNothingOf(again)
}

// knowsNothingOf wants nothing of a rehearsal in the real books, neither the server's
// nor the laptop's.
func (c *clinic) knowsNothingOf(rehearsal *replica.Replica) {
	c.t.Helper()
	cases, err := pb.NewCaseServiceClient(c.hub).ListCases(c.t.Context(), &pb.ListCasesRequest{})
	require.NoError(c.t, err)
	require.Empty(c.t, cases.Cases)
	stock, err := pb.NewStockServiceClient(c.hub).ListStock(c.t.Context(), &pb.ListStockRequest{})
	require.NoError(c.t, err)
	require.Empty(c.t, stock.Bags)
	books, err := pb.NewAuditServiceClient(c.hub).GetDigest(c.t.Context(), &pb.GetDigestRequest{})
	require.NoError(c.t, err)
	for _, theirs := range rehearsal.Store.Logs() {
		require.NotContains(c.t, books.String(), theirs.ID.String())
		_, ok := c.laptop.Store.Log(theirs.ID)
		require.False(c.t, ok, "a log of the rehearsal")
	}
}

// TestARealCaseDoesNotGoIntoARehearsal types the code of a real case there.
func TestARealCaseDoesNotGoIntoARehearsal(t *testing.T) {
	real := newClinic(t)
	w := entry.NewWriter(real.laptop)
	for _, body := range []*pb.Entry{
		{Body: &pb.Entry_PlaceAdded{PlaceAdded: &pb.PlaceAdded{Name: "shelf", Kind: pb.PlaceKind_PLACE_KIND_FREEZER}}},
		{Body: &pb.Entry_ProductCard{ProductCard: &pb.ProductCard{Name: product, Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN}}},
	} {
		_, err := w.Write(t.Context(), &pb.WriteRequest{Entry: body, Author: owner})
		require.NoError(t, err)
	}
	id, _ := runsPlasma(t, real.laptop, owner, "shelf")
	shown, err := query.Reader{Replica: real.laptop}.ShowCode(t.Context(), id)
	require.NoError(t, err)
	a, _ := rehearsed(t)
	before := a.laptop.Store.Records()
	_, err = entry.NewWriter(a.laptop).TakeOver(t.Context(), entry.Actor{}, &pb.TakeOverRequest{
		Code: shown.Rows[0] + shown.Rows[1] + shown.Rows[2] + shown.Rows[3], Dam: shown.Dam, Mark: shown.Mark, Author: vet,
	})
	require.ErrorContains(t, err, "take the case over on the real pages")
	require.Equal(t, before, a.laptop.Store.Records())
}

// TestARehearsalIsNeverBegunOverAPractice tries to found one in folders that have one.
func TestARehearsalIsNeverBegunOverAPractice(t *testing.T) {
	real := newClinic(t)
	_, err := server.Init(t.Context(), server.InitConfig{Data: real.data, Secret: &real.secret, Practice: "R", Zone: "UTC", Owner: owner, Rehearsal: true})
	require.Error(t, err)
	other := t.TempDir()
	_, err = server.Init(t.Context(), server.InitConfig{Data: other, Secret: &real.secret, Cost: cheap, Practice: "Alder", Zone: "UTC", Owner: owner})
	require.NoError(t, err)
	_, err = server.Init(t.Context(), server.InitConfig{Data: other, Secret: &real.secret, Practice: "R", Zone: "UTC", Owner: owner, Rehearsal: true})
	require.ErrorContains(t, err, "no practice was begun yet")
}

// TestLeftoversAreSwept removes what a rehearsal left that was killed, and leaves alone
// one that runs.
func TestLeftoversAreSwept(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	dead, err := newFolder()
	require.NoError(t, err)
	require.NoError(t, dead.lock.Close()) // as the system does for a process that is killed
	alive, err := newFolder()
	require.NoError(t, err)
	require.NoError(t, sweep())
	require.NoDirExists(t, dead.dir)
	require.DirExists(t, alive.dir)
	require.NoError(t, alive.remove())
	require.NoDirExists(t, alive.dir)
}
