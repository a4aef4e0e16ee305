package agent_test

import (
	"context"
	"crypto/ed25519"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"thawtrail/internal/trust/authority"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestAnOwnerOrdersABackup: the owner's laptop writes a file of what the server holds. The
// recovery sheet opens it, the laptop does not, and a server is made of it.
func TestAnOwnerOrdersABackup(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	own, vets := c.join("owner's", "M. Alder"), c.join("vet's", "J. Reed", pb.Role_ROLE_VET)
	eventually(t, "both are connected", func() bool { return own.state() == "connected" && vets.state() == "connected" })
	c.same(own)
	c.same(vets)
	_, err := pb.NewPinServiceClient(own.conn).SetPin(t.Context(), &pb.SetPinRequest{Person: "M. Alder", Pin: "4711"})
	require.NoError(t, err)
	dir := t.TempDir()
	file := filepath.Join(dir, "clinic.books")
	refused := func(says string, words ...string) {
		t.Helper()
		code, printed := command(t, append([]string{"backup", file, "--from-server"}, words...)...)
		require.NotZero(t, code)
		require.Contains(t, strings.Join(strings.Fields(printed), " "), says)
		require.Empty(t, files(t, dir), "neither the file nor a part of it")
	}
	pin := func(digits string) string {
		path := filepath.Join(t.TempDir(), "pin")
		require.NoError(t, os.WriteFile(path, []byte(digits+"\n"), 0o600))
		return path
	}
	refused("the PIN of M. Alder", "--data", own.dir)
	refused("nothing was ordered", "--data", own.dir, "--pin-file", pin("1234"))
	refused("an owner's own laptop", "--data", vets.dir)
	refused("this is the server itself", "--data", c.dir)
	refused("not both", "--data", own.dir, "--check")

	out := backupCommand(t, "backup", file, "--from-server", "--data", own.dir, "--pin-file", pin("4711"))
	require.True(t, out.OK && out.SheetOpens)
	require.Equal(t, []string{file}, files(t, dir))
	require.Contains(t, c.log.text(), `order=backup`)
	require.NotZero(t, checkCode(t, file, own.dir), "the code of the laptop's own backups does not open it")
	sheet := filepath.Join(t.TempDir(), "sheet")
	require.NoError(t, os.WriteFile(sheet, []byte(c.sheet), 0o600))
	checked := backupCommand(t, "backup", "check", file, "--sheet", sheet)
	require.True(t, checked.OK)
	require.Equal(t, out.Records, checked.Records)
	require.Equal(t, out.Until, checked.Until)

	restored := filepath.Join(t.TempDir(), "restored")
	code, printed := command(t, "restore", file, "--data", restored, "--sheet", sheet, "--passphrase-file", passphraseFile(t))
	require.Zero(t, code, printed)

	c.stop()
	require.NoError(t, os.Remove(file))
	refused("the clinic's server is needed for this, and nothing was ordered", "--data", own.dir, "--pin-file", pin("4711"))
	code, printed = command(t, "server", "invite", "--data", own.dir, "--person", "L. Cole", "--role", "vet", "--pin-file", pin("4711"))
	require.NotZero(t, code)
	require.Contains(t, strings.Join(strings.Fields(printed), " "), "the clinic's server is needed for this, and nothing was ordered")
	own.stop()
	refused("whose agent runs", "--data", own.dir)
}

// filled writes so much at the clinic that a backup of it fits no window of a link.
func (c *clinic) filled() {
	c.t.Helper()
	records := pb.NewRecordServiceClient(c.conn)
	shelf := place("shelf")
	shelf.Author = "M. Alder"
	_, err := records.Write(c.t.Context(), shelf)
	require.NoError(c.t, err)
	text := strings.Repeat("note ", 780)
	var group errgroup.Group
	group.SetLimit(32)
	for range 1200 {
		group.Go(func() error {
			_, err := records.Write(c.t.Context(), &pb.WriteRequest{Author: "M. Alder", Entry: &pb.Entry{Body: &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{
				EntityKind: "place", Entity: "shelf", Text: &pb.Sealed{Plain: text},
			}}}})
			return err
		})
	}
	require.NoError(c.t, group.Wait())
}

// fetch begins a backup as who holds the laptop's key can, and takes its first piece.
func (o *ordering) fetch(req *pb.OrderRequest) (grpc.ServerStreamingClient[pb.FetchResponse], error) {
	o.t.Helper()
	stream, err := o.Fetch(o.t.Context(), &pb.FetchRequest{Order: req})
	require.NoError(o.t, err)
	_, err = stream.Recv()
	return stream, err
}

func backup(w *pb.OwnerOrder) { w.Action = &pb.OwnerOrder_Backup{Backup: &pb.OrderBackupRequest{}} }

// rest reads a file to its end or to what ends it.
func rest[M any](stream grpc.ServerStreamingClient[M]) error {
	for {
		if _, err := stream.Recv(); err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// TestABackupGoesToAnOwnersLaptopAlone: an order serves once and for what it says; a file
// on its way waits for its reader, holds the only place, and ends with the owner's role or
// with the laptop.
func TestABackupGoesToAnOwnersLaptopAlone(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	c.filled()
	own, vets := c.join("owner's", "M. Alder"), c.join("vet's", "J. Reed", pb.Role_ROLE_VET)
	second := c.join("second's", "K. Low", pb.Role_ROLE_OWNER)
	o, vet, ends := c.ordersOf(own), c.ordersOf(vets), c.ordersOf(second)
	denied := func(why string, want codes.Code, by *ordering, req *pb.OrderRequest) {
		t.Helper()
		_, err := by.fetch(req)
		require.Equal(t, want, status.Code(err), "%s: %v", why, err)
	}
	denied("by a vet's laptop, with the owner's order", codes.PermissionDenied, vet, o.sign(backup))
	changed := ends.sign(backup)
	changed.Order[len(changed.Order)-1] ^= 1
	denied("one byte changed", codes.PermissionDenied, ends, changed)
	twin := *o
	twin.OrderServiceClient = pb.NewOrderServiceClient(c.link(o.key))
	denied("over another link of the same laptop", codes.PermissionDenied, &twin, o.sign(backup))
	denied("no order", codes.InvalidArgument, o, nil)
	denied("an invitation", codes.InvalidArgument, ends, ends.sign(nil))
	_, err := ends.Order(t.Context(), ends.sign(backup))
	require.Equal(t, codes.InvalidArgument, status.Code(err), "a backup is no answer of one message")
	stranger := pb.NewOrderServiceClient(c.over(authority.Enrolment(authority.Joining{Fits: func(ed25519.PublicKey) bool { return true }, Shown: func(_, _ ed25519.PublicKey) {}})))
	stream, err := stranger.Fetch(t.Context(), &pb.FetchRequest{Order: changed})
	require.NoError(t, err)
	_, err = stream.Recv()
	require.Equal(t, codes.PermissionDenied, status.Code(err))

	// The second owner's reader takes one piece and no more. The server waits for it, and
	// sends nobody else a file; orders of other kinds go on.
	good := ends.sign(backup)
	slow, err := ends.fetch(good)
	require.NoError(t, err)
	denied("a second time", codes.PermissionDenied, ends, good)
	denied("beside another one", codes.ResourceExhausted, o, o.sign(backup))
	_, err = o.Order(t.Context(), o.sign(func(w *pb.OwnerOrder) {
		w.Action = &pb.OwnerOrder_Invite{Invite: &pb.InviteRequest{Person: "L. Cole", Roles: []pb.Role{pb.Role_ROLE_VET}}}
	}))
	require.NoError(t, err)
	_, err = pb.NewRecordServiceClient(c.conn).EndPerson(t.Context(), &pb.EndPersonRequest{Person: "K. Low", Reason: "left", KeepLaptops: true, Author: "M. Alder"})
	require.NoError(t, err)
	require.Equal(t, codes.PermissionDenied, status.Code(rest(slow)), "the role ended in mid-file")

	// The place is free again. One that goes away in mid-file frees it too.
	gone, leave := context.WithCancel(t.Context())
	cut, err := o.Fetch(gone, &pb.FetchRequest{Order: o.sign(backup)})
	require.NoError(t, err)
	_, err = cut.Recv()
	require.NoError(t, err)
	leave()
	require.Equal(t, codes.Canceled, status.Code(rest(cut)))

	// At the laptop: shut out in mid-file, it is told that the file is not whole.
	var mine grpc.ServerStreamingClient[pb.OrderBackupResponse]
	require.Eventually(t, func() bool {
		mine, err = own.office().OrderBackup(t.Context(), &pb.OrderBackupRequest{})
		require.NoError(t, err)
		_, err = mine.Recv()
		return err == nil
	}, 30*time.Second, time.Second, "the place is free again") // orders of one laptop are slow
	_, err = c.hub.RevokeDevice(t.Context(), &pb.RevokeDeviceRequest{Device: c.deviceOf("owner's"), Reason: "stolen"})
	require.NoError(t, err)
	require.Error(t, rest(mine))
	require.NotContains(t, c.log.text(), "order=backup", "none of them was whole")
}
