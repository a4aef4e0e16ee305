package agent_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"thawtrail/internal/ledger"
	"thawtrail/internal/proof"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// TestAProofForAnOutsider makes a proof on a laptop, checks it without any
// replica, and looks for every byte that could be changed.
func TestAProofForAnOutsider(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	north, south := c.join("north", "J. Reed", pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC), c.join("south", "M. Alder")
	eventually(t, "connected", func() bool { return north.state() == "connected" })
	c.same(north)
	made, err := north.record.Write(t.Context(), &pb.WriteRequest{Author: "J. Reed", Entry: place("north freezer").Entry})
	require.NoError(t, err)
	_, err = north.record.Write(t.Context(), &pb.WriteRequest{Author: "J. Reed", Entry: place("secret place").Entry})
	require.NoError(t, err)
	var p *pb.Proof
	eventually(t, "the server has stated it", func() bool {
		answer, err := pb.NewProofServiceClient(south.conn).MakeProof(t.Context(), &pb.MakeProofRequest{Record: made.Record})
		p = answer.GetProof()
		return err == nil
	})
	shown, err := proof.Verify(p)
	require.NoError(t, err)
	require.Equal(t, made.Record, shown.Record.Hash.String())
	file, err := proof.Encode(p)
	require.NoError(t, err)
	require.NotContains(t, string(file), "secret place")
	require.Less(t, len(file), 64<<10)

	for i := len(proof.Magic); i < len(file); i++ {
		bad := append([]byte(nil), file...)
		bad[i] ^= 1
		changed, err := proof.Decode(bad)
		if err != nil || proto.Equal(changed, p) {
			continue
		}
		got, err := proof.Verify(changed)
		require.True(t, err != nil || got.Record.Hash == shown.Record.Hash && got.StatementAt == shown.StatementAt, "byte %d", i)
	}

	compare := func(l *laptop) pb.StatementMatch {
		answer, err := pb.NewProofServiceClient(l.conn).CompareProof(t.Context(), &pb.CompareProofRequest{Proof: p})
		require.NoError(t, err)
		return answer.Match
	}
	eventually(t, "both laptops hold the same statement", func() bool {
		return compare(north) == pb.StatementMatch_STATEMENT_MATCH_SAME && compare(south) == pb.StatementMatch_STATEMENT_MATCH_SAME
	})

	other := newClinic(t)
	stranger := other.join("west", "M. Alder")
	answer, err := pb.NewProofServiceClient(stranger.conn).CompareProof(t.Context(), &pb.CompareProofRequest{Proof: p})
	require.NoError(t, err)
	require.Equal(t, pb.StatementMatch_STATEMENT_MATCH_UNKNOWN, answer.Match)
}

// TestAProofOfWhatTheServerWrote proves records of the server's own log: who was let in
// and with what rights. Its statements cover it as they cover the laptops' logs, and do
// not call for one another.
func TestAProofOfWhatTheServerWrote(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	north := c.join("north", "J. Reed", pb.Role_ROLE_VET)
	eventually(t, "connected", func() bool { return north.state() == "connected" })
	c.same(north)
	people, err := north.audit.ListPeople(t.Context(), &pb.ListPeopleRequest{})
	require.NoError(t, err)
	proven := 0
	for _, row := range people.People {
		for _, grant := range row.Grants {
			var p *pb.Proof
			eventually(t, "the server has stated its own log", func() bool {
				answer, err := pb.NewProofServiceClient(north.conn).MakeProof(t.Context(), &pb.MakeProofRequest{Record: grant})
				p = answer.GetProof()
				return err == nil
			})
			shown, err := proof.Verify(p)
			require.NoError(t, err)
			require.Equal(t, grant, shown.Record.Hash.String())
			require.Equal(t, shown.Server, shown.Device, "the server wrote it")
			proven++
		}
	}
	require.Positive(t, proven)
	records, since := int64(0), time.Now()
	eventually(t, "nothing more is stated while nothing comes", func() bool {
		status, err := north.audit.GetStatus(t.Context(), &pb.GetStatusRequest{})
		require.NoError(t, err)
		if status.Records != records {
			records, since = status.Records, time.Now()
		}
		return time.Since(since) > 2*time.Second
	})
}

// TestOneFileProvesARecall proves every record of a recall dossier in one file; a signature
// that was changed in it shows.
func TestOneFileProvesARecall(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	north := c.join("north", "J. Reed", pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC)
	eventually(t, "connected", func() bool { return north.state() == "connected" })
	c.same(north)
	write := func(e *pb.Entry) {
		_, err := north.record.Write(t.Context(), &pb.WriteRequest{Author: "J. Reed", Entry: e})
		require.NoError(t, err)
	}
	write(place("north freezer").Entry)
	write(&pb.Entry{Body: &pb.Entry_ProductCard{ProductCard: &pb.ProductCard{Name: "Foal plasma", Maker: "Wattle Biologics", Route: pb.ProductRoute_PRODUCT_ROUTE_VEIN}}})
	write(&pb.Entry{Body: &pb.Entry_BagsReceived{BagsReceived: &pb.BagsReceived{Product: "Foal plasma", Batch: "H-2207", Expiry: "2028-03", VolumeMl: 950, Count: 2, Place: "north freezer"}}})
	write(&pb.Entry{Body: &pb.Entry_BatchRecalled{BatchRecalled: &pb.BatchRecalled{Product: "Foal plasma", Batch: "H-2207", Reason: "maker recall"}}})
	dossier, err := north.audit.GetRecall(t.Context(), &pb.GetRecallRequest{Product: "Foal plasma", Batch: "H-2207"})
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(dossier.Records), 2)
	file := &pb.ProofFile{About: dossier.About}
	for _, record := range dossier.Records {
		eventually(t, "the server has stated it", func() bool {
			answer, err := pb.NewProofServiceClient(north.conn).MakeProof(t.Context(), &pb.MakeProofRequest{Record: record})
			if err == nil {
				file.Proofs = append(file.Proofs, answer.Proof)
			}
			return err == nil
		})
	}
	raw, err := proof.EncodeMany(file)
	require.NoError(t, err)
	read, err := proof.DecodeMany(raw)
	require.NoError(t, err)
	require.Len(t, read.Proofs, len(dossier.Records))
	for i, p := range read.Proofs {
		shown, err := proof.Verify(p)
		require.NoError(t, err)
		require.Equal(t, dossier.Records[i], shown.Record.Hash.String())
	}
	read.Proofs[0].Shown.Signature[0] ^= 1
	_, err = proof.Verify(read.Proofs[0])
	require.ErrorIs(t, err, proof.ErrInvalid)
	_, err = proof.DecodeMany([]byte(proof.ManyMagic))
	require.ErrorIs(t, err, proof.ErrInvalid)
}

// TestAServerThatTellsTwoStories runs a copy of the server beside it: each tells
// its own laptop what it likes. Two laptops that compare a proof find out; and
// without anybody comparing, so does the first one that comes to hold a record of
// the other, whose header names what its laptop had been told.
func TestAServerThatTellsTwoStories(t *testing.T) {
	t.Parallel()
	c := newClinic(t)
	north, south := c.join("north", "J. Reed", pb.Role_ROLE_VET, pb.Role_ROLE_CLINIC), c.join("south", "M. Alder")
	for _, l := range []*laptop{north, south} {
		eventually(t, "connected", func() bool { return l.state() == "connected" })
		c.same(l)
	}
	south.stop()
	c.stop()
	liar := &clinic{t: t, dir: t.TempDir(), log: &said{}}
	require.NoError(t, os.CopyFS(liar.dir, os.DirFS(c.dir)))
	c.start(c.addr)
	eventually(t, "connected again", func() bool { return north.state() == "connected" })
	writes := func(l *laptop, author, name string) (record string) {
		made, err := l.record.Write(t.Context(), &pb.WriteRequest{Author: author, Entry: place(name).Entry})
		require.NoError(t, err)
		return made.Record
	}
	stated := func(l *laptop, record string) (p *pb.Proof) {
		eventually(t, "the server has stated it", func() bool {
			answer, err := pb.NewProofServiceClient(l.conn).MakeProof(t.Context(), &pb.MakeProofRequest{Record: record})
			p = answer.GetProof()
			return err == nil
		})
		return p
	}
	p := stated(north, writes(north, "J. Reed", "north freezer"))

	liar.start("127.0.0.1:0")
	south.server = liar.addr
	south.start()
	anotherInItsPlace := func(p *pb.Proof) bool {
		answer, err := pb.NewProofServiceClient(south.conn).CompareProof(t.Context(), &pb.CompareProofRequest{Proof: p})
		require.NoError(t, err)
		return answer.Match == pb.StatementMatch_STATEMENT_MATCH_DIFFERENT
	}
	writes(south, "M. Alder", "south freezer")
	eventually(t, "south holds another statement in its place", func() bool { return anotherInItsPlace(p) })
	doubts := func() []*pb.DiscrepancyRow {
		answer, err := south.audit.ListDiscrepancies(t.Context(), &pb.ListDiscrepanciesRequest{Open: true})
		require.NoError(t, err)
		return answer.Discrepancies
	}
	require.Empty(t, doubts(), "so far each story is whole")
	after := writes(north, "J. Reed", "north car")
	p = stated(north, after)
	for i := 0; !anotherInItsPlace(p); i++ { // the liar's story gets as long as what north had been told
		stated(south, writes(south, "M. Alder", fmt.Sprint("south shelf ", i)))
	}
	north.stop()
	_, err := liar.push(north.home().Device, north.forge()...) // the liar hands the treatment records on, and keeps its own statements apart
	require.NoError(t, err)
	eventually(t, "south sees it without being asked", func() bool {
		return slices.ContainsFunc(doubts(), func(d *pb.DiscrepancyRow) bool {
			return d.Kind == ledger.TwoStories && slices.Contains(d.Records, after)
		})
	})
	require.Contains(t, south.log.text(), "two stories", "its log says so too")
	south.stop()
	verified, err := store.Verify(t.Context(), store.VerifyOptions{Dir: south.dir, Key: south.home().Vault.Key("journal")})
	require.NoError(t, err)
	require.True(t, verified.OK, "each record is whole")
	require.Contains(t, strings.Join(verified.Notes, " "), "two stories")
}
