package replication

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"thawtrail/internal/bundle"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	"thawtrail/internal/wholefile"
	pb "thawtrail/proto/thawtrail/v1"
)

// BackupSource is where a backup comes from: this replica, or a program that runs.
type BackupSource struct {
	Code  bundle.Code
	Bytes int64 // about how large it will be
	Write func(ctx context.Context, to io.Writer, on *pb.BackupMark) (Written, error)
}

// BackupSource is this replica as a source.
func (r Bundles) BackupSource() (src BackupSource, err error) {
	if src.Code, err = r.BackupCode(); err != nil {
		return src, err
	}
	src.Bytes, err = r.Store.Size()
	src.Write = r.Backup
	return src, err
}

// BackupWritten is a backup that lies at its place and was read back.
type BackupWritten struct {
	Backed
	File    string
	SHA256  string   // of the whole file
	WentOn  int64    // records that were in it already
	Omitted []string // what could not be read and is not in it
}

// Good says that all that is held is in it and verifies.
func (b *BackupWritten) Good() bool { return b.Restores() && len(b.Omitted) == 0 }

// Last is it as it is remembered.
func (b *BackupWritten) Last() replica.LastBackup {
	return replica.LastBackup{Until: b.Until(), File: b.File, Records: b.Records, Bytes: b.Bytes}
}

// PartOf is the file in which a backup grows until it is whole.
func PartOf(path string) string { return path + ".part" }

// spareBytes is what stays free on the disk of a backup.
const spareBytes = 16 << 20

// syncBytes is how much of a backup a power cut may take.
const syncBytes = 16 << 20

// BackupFile writes a backup at path, which is whole there or absent. It grows beside
// that under PartOf(path). One that was broken off is gone on with from its last part that
// is whole; tell says so, or why a new one is begun. Then it is read back from its first
// byte to its last, and every record verified, before it gets its name.
func BackupFile(ctx context.Context, path string, src BackupSource, tell func(string)) (out BackupWritten, err error) {
	part := PartOf(path)
	f, err := wholefile.OpenPart(part)
	if err != nil {
		return out, refusal.New("file", path, "a file that can be written").Because(err.Error())
	}
	g := &growing{File: f, src: src, tell: tell}
	out, err = g.grow(ctx, path)
	err = errors.Join(err, f.Close())
	if wholefile.Full(err) {
		need, free := src.Bytes+spareBytes, freeAt(path)
		err = errors.Join(needs(path, need, free), os.Remove(part)) // it takes the last room from others
	}
	if err != nil {
		return out, err
	}
	if err := wholefile.Finish(part, path); err != nil {
		return out, fmt.Errorf("name the backup %s: %w", path, err)
	}
	out.File = path
	return out, nil
}

func freeAt(path string) int64 {
	free, err := wholefile.FreeBytes(filepath.Dir(path))
	if err != nil {
		return -1 // not known
	}
	return int64(min(free, 1<<62))
}

// needs refuses a disk that is too small.
func needs(path string, need, free int64) error {
	const mb = 1e6
	return refusal.Conflict("file", path, fmt.Sprintf("a disk with %d MB free", need/mb+1)).
		Because(fmt.Sprintf("%d MB are free there; make room, or name a file on another disk", max(free, 0)/mb))
}

// growing is the file of a backup that is not whole yet.
type growing struct {
	*os.File
	src      BackupSource
	tell     func(string)
	at       int64  // where the next byte goes
	torn     []byte // what stands there of a part that was cut off
	unsynced int64
}

// errDiffers: the part that comes now is not the one that was cut off.
var errDiffers = errors.New("the part that was cut off does not come again")

func (g *growing) grow(ctx context.Context, path string) (out BackupWritten, err error) {
	mark, end, whole, err := markOf(ctx, g, g.src.Code)
	if err != nil {
		return out, err
	}
	if need, free := g.src.Bytes+g.src.Bytes/16+spareBytes-end, freeAt(path); free >= 0 && free < need {
		return out, needs(path, need, free)
	}
	wrote := Written{Records: -1}
	if !whole {
		if wrote, err = g.rest(ctx, mark, end); err != nil {
			return out, err
		}
		out.WentOn = mark.GetRecords()
		if wrote.Anew != "" {
			out.WentOn = 0
		}
		if err := errors.Join(g.Truncate(g.at), g.Sync()); err != nil {
			return out, err
		}
	}
	out.Omitted = wrote.Omitted
	return out, g.readBack(ctx, wrote.Records, &out)
}

// rest writes what is missing, or all of it anew.
func (g *growing) rest(ctx context.Context, mark *pb.BackupMark, end int64) (out Written, err error) {
	anew := ""
	if mark != nil {
		if g.torn, err = g.behind(end); err != nil {
			return out, err
		}
		g.at = end
		g.tell(fmt.Sprintf("Going on behind %d records that are in it.", mark.Records))
		out, err = g.src.Write(ctx, g, mark)
		switch {
		case errors.Is(err, errDiffers) || err == nil && len(g.torn) > 0 && out.Anew == "":
			anew = "what is held here has changed since it was broken off"
		case err != nil || out.Anew == "":
			return out, err
		default:
			anew = out.Anew
		}
		g.tell("Begun anew: " + anew + ".")
	}
	if err := g.Truncate(0); err != nil {
		return out, err
	}
	g.at, g.torn = 0, nil
	out, err = g.src.Write(ctx, g, nil)
	out.Anew = anew
	return out, err
}

// behind reads what stands behind the last whole part: less than a part.
func (g *growing) behind(end int64) ([]byte, error) {
	if _, err := g.Seek(end, io.SeekStart); err != nil {
		return nil, err
	}
	return io.ReadAll(io.LimitReader(g.File, bundle.MaxPart+8))
}

// Write writes behind what is there. Where a part was cut off, the same part must come.
func (g *growing) Write(b []byte) (int, error) {
	if n := min(len(g.torn), len(b)); n > 0 {
		if !bytes.Equal(g.torn[:n], b[:n]) {
			return 0, errDiffers
		}
		g.torn = g.torn[n:]
	}
	n, err := g.WriteAt(b, g.at)
	g.at += int64(n)
	if g.unsynced += int64(n); err == nil && g.unsynced >= syncBytes {
		g.unsynced, err = 0, g.Sync()
	}
	return n, err
}

// readBack reads the whole file and verifies it. A disk that keeps something else than
// what was written is found here.
func (g *growing) readBack(ctx context.Context, records int64, out *BackupWritten) (err error) {
	if out.Backed, err = VerifyBackup(ctx, g, g.src.Code); err != nil {
		return fmt.Errorf("the backup was read back and is not what was written: %w", err)
	}
	if records >= 0 && out.Records != records {
		return fmt.Errorf("the backup was read back: %d records of %d are there", out.Records, records)
	}
	sum, err := g.sum()
	out.SHA256 = hex.EncodeToString(sum)
	return err
}

// sum is that of the file as the disk gives it back.
func (g *growing) sum() ([]byte, error) {
	if _, err := g.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	sum := sha256.New()
	_, err := io.Copy(sum, g.File)
	return sum.Sum(nil), err
}

// SealedFile writes a backup that comes from elsewhere and cannot be opened here at path:
// whole there, or absent. receive writes it and gives the SHA-256 that its sender tells;
// the file is read back against that before it gets its name. One that breaks off is
// dropped: who cannot read it cannot say where to go on.
func SealedFile(path string, receive func(io.Writer) (sum []byte, err error)) (size int64, err error) {
	part := PartOf(path)
	f, err := wholefile.OpenPart(part)
	if err != nil {
		return 0, refusal.New("file", path, "a file that can be written").Because(err.Error())
	}
	g := &growing{File: f}
	err = errors.Join(g.receive(receive), f.Close())
	if wholefile.Full(err) {
		err = needs(path, g.at+spareBytes, freeAt(path))
	}
	if err != nil {
		return 0, errors.Join(err, os.Remove(part))
	}
	if err := wholefile.Finish(part, path); err != nil {
		return 0, fmt.Errorf("name the backup %s: %w", path, err)
	}
	return g.at, nil
}

func (g *growing) receive(from func(io.Writer) ([]byte, error)) error {
	if err := g.Truncate(0); err != nil {
		return err
	}
	want, err := from(g)
	if err != nil {
		return err
	}
	if err := g.Sync(); err != nil {
		return err
	}
	got, err := g.sum()
	if err == nil && !bytes.Equal(got, want) {
		err = errors.New("the backup was read back and is not what was sent")
	}
	return err
}
