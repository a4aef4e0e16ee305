package cli

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"thawtrail/internal/bundle"
	"thawtrail/internal/node"
	"thawtrail/internal/refusal"
	"thawtrail/internal/replica"
	"thawtrail/internal/replication"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/wording"
	pb "thawtrail/proto/thawtrail/v1"
)

// backupFlags are what opens a backup that is looked at.
type backupFlags struct{ code, sheet *flagOf }

func newBackupFlags() backupFlags {
	return backupFlags{
		code:  &flagOf{name: "code", metavar: "CODE", help: "the code that opens the file, as `thawtrail backup code` shows it"},
		sheet: &flagOf{name: "sheet", metavar: "FILE", help: "the recovery sheet's five rows, which open what the practice's server saved; - asks for them here"},
	}
}

// optionalData is an own form whose folder may be left out.
func (d *console) optionalData(use, short, example string, words int, more []*flagOf, run func(context.Context, *ownForm, []string) error) *cobra.Command {
	f := newOwnForm()
	f.data.required = false
	return f.command(use, short, example, words, more, run)
}

func (d *console) backupCommand() *cobra.Command {
	check := &flagOf{name: "check", metavar: metaSwitch, help: "read the file and every record in it in place of writing one"}
	fromServer := &flagOf{name: "from-server", metavar: metaSwitch, help: "on an owner's laptop: order it from the clinic's server, which seals all that it holds; the recovery sheet opens it"}
	open, pin := newBackupFlags(), ownersPIN()
	return d.optionalData("backup FILE --data DIR", "Save all records in a file, verified; goes on with one that was broken off",
		"backup /media/stick/clinic.books --data /var/lib/thawtrail", 1, []*flagOf{check, fromServer, pin, open.code, open.sheet},
		func(ctx context.Context, f *ownForm, words []string) error {
			path, err := oneFile(words)
			switch {
			case err != nil:
				return err
			case check.text() == "true" && fromServer.text() == "true":
				return refusal.New("from_server", "", "--check or --from-server, not both")
			case check.text() == "true":
				return d.checkBackup(ctx, f, open, path)
			case f.data.text() == "":
				return refusal.New("data", "", "--data DIR: "+f.data.help)
			}
			if path, err = filepath.Abs(path); err != nil {
				return err
			}
			if fromServer.text() == "true" {
				return d.orderBackup(ctx, f, pin, path)
			}
			return d.writeBackup(ctx, f, path)
		})
}

func (d *console) backupCheckCommand() *cobra.Command {
	open := newBackupFlags()
	return d.optionalData("check FILE", "Read a backup and every record in it: what is in it, how old it is, what opens it",
		"backup check /media/stick/clinic.books --data /var/lib/thawtrail", 1, []*flagOf{open.code, open.sheet},
		func(ctx context.Context, f *ownForm, words []string) error {
			path, err := oneFile(words)
			if err != nil {
				return err
			}
			return d.checkBackup(ctx, f, open, path)
		})
}

func (d *console) backupCodeCommand() *cobra.Command {
	return d.ownForm("code --data DIR", "Show the code that opens every backup of this machine", "backup code --data thawtrail-data", 0, nil,
		func(ctx context.Context, f *ownForm, _ []string) error {
			return d.withBackups(ctx, f, func(_ replication.BackupSource, known *pb.ShowBackupsResponse, _ func(replica.LastBackup) error) error {
				lines := []string{known.Code, "It opens every backup of this machine. Keep it apart from them, and not on this machine alone."}
				if known.Server {
					lines = append(lines, "The recovery sheet opens them too.")
				}
				return d.tell(f, map[string]any{"code": known.Code, "server": known.Server}, lines...)
			})
		})
}

// withBackups hands on where backups of a folder come from: its running program, or the
// folder itself, and how a good one is noted.
func (d *console) withBackups(ctx context.Context, f *ownForm, fn func(replication.BackupSource, *pb.ShowBackupsResponse, func(replica.LastBackup) error) error) error {
	client, address, done, err := d.carrier(f.data.text())
	if err != nil {
		return err
	}
	defer done()
	if client == nil {
		return d.stopped(ctx, f, func(r *replica.Replica) error {
			b := replication.Bundles{Replica: r}
			src, err := b.BackupSource()
			if err != nil {
				return err
			}
			return fn(src, &pb.ShowBackupsResponse{Code: src.Code.Text(), Server: r.BackupKey.Server}, r.BackedUp)
		})
	}
	known, err := client.ShowBackups(ctx, &pb.ShowBackupsRequest{})
	if err != nil {
		return inWords(err, address)
	}
	code, err := bundle.ParseCode(known.Code)
	if err != nil {
		return err
	}
	src := replication.BackupSource{Code: code, Bytes: known.Bytes, Write: func(ctx context.Context, to io.Writer, on *pb.BackupMark) (replication.Written, error) {
		return receiveBackup(ctx, client, to, on, address)
	}}
	return fn(src, known, func(last replica.LastBackup) error {
		_, err := client.BackedUp(ctx, &pb.BackedUpRequest{WallUs: last.Until.UnixMicro(), File: last.File, Records: last.Records, Bytes: last.Bytes})
		return inWords(err, address)
	})
}

// receiveBackup writes what a running program sends.
func receiveBackup(ctx context.Context, client pb.CarryServiceClient, to io.Writer, on *pb.BackupMark, address string) (out replication.Written, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := client.Backup(ctx, &pb.BackupRequest{On: on})
	if err != nil {
		return out, inWords(err, address)
	}
	last, err := receivePieces(to, stream.Recv, address)
	return replication.Written{Records: last.GetRecords(), Omitted: last.GetOmitted(), Anew: last.GetAnew()}, err
}

// receivePieces writes the pieces of a backup, up to the last one, which has no data.
func receivePieces(to io.Writer, next func() (*pb.BackupResponse, error), address string) (*pb.BackupResponse, error) {
	for {
		switch m, err := next(); {
		case errors.Is(err, io.EOF):
			return nil, errors.New("the backup ended before it was whole")
		case err != nil:
			return nil, inWords(err, address)
		case len(m.GetData()) == 0:
			return m, nil
		default:
			if _, err := to.Write(m.Data); err != nil {
				return nil, err
			}
		}
	}
}

func (d *console) writeBackup(ctx context.Context, f *ownForm, path string) error {
	return d.withBackups(ctx, f, func(src replication.BackupSource, known *pb.ShowBackupsResponse, note func(replica.LastBackup) error) error {
		out, err := replication.BackupFile(ctx, path, src, func(text string) { fmt.Fprintln(d.err, line(text)) })
		if err != nil {
			return err
		}
		if out.Good() {
			if err := note(out.Last()); err != nil {
				return err
			}
		}
		return d.tellBackup(f, out, known)
	})
}

func (d *console) tellBackup(f *ownForm, out replication.BackupWritten, known *pb.ShowBackupsResponse) error {
	opens := "The recovery sheet opens it, and so does the code of `thawtrail backup code`."
	if !known.Server {
		opens = "It opens with the code " + known.Code + ", which opens every backup of this machine. Keep the code apart from the file, and not on this machine alone."
	}
	lines := []string{
		fmt.Sprintf("%s, all that was saved here until %s, are in %s (%s). Each was read back and verified.", count(int(out.Records), "record"), d.moment(out.Until()), line(out.File), sizeText(out.Bytes)),
		opens, "SHA-256 of the file: " + out.SHA256,
	}
	if out.WentOn > 0 {
		lines = append(lines, fmt.Sprintf("Gone on with behind %s that were in it.", count(int(out.WentOn), "record")))
	}
	for _, o := range out.Omitted {
		lines = append(lines, "Not in it: "+o)
	}
	for _, w := range out.Wrong {
		lines = append(lines, "In it, but does not verify: "+w)
	}
	if err := d.tell(f, map[string]any{
		"ok": out.Good(), "records": out.Records, "bytes": out.Bytes, "file": out.File, "sha256": out.SHA256, "until": rfc(out.Until()), "went_on": out.WentOn,
		"omitted": append([]string{}, out.Omitted...), "wrong": append([]string{}, out.Wrong...), "sheet_opens": known.Server,
	}, lines...); err != nil {
		return err
	}
	if !out.Good() {
		return exitError{exitFailed}
	}
	return nil
}

func rfc(t time.Time) string { return t.UTC().Format(time.RFC3339) }

// moment is a time on the command line, where no practice's zone is known.
func (d *console) moment(t time.Time) string { return t.In(d.zone).Format("2006-01-02 15:04") }

func sizeText(bytes int64) string {
	if bytes < 1e6 {
		return fmt.Sprintf("%d kB", (bytes+999)/1000)
	}
	return fmt.Sprintf("%d MB", bytes/1e6)
}

// opener is the code that opens a backup, and what it was made from.
func (d *console) opener(ctx context.Context, f *ownForm, open backupFlags) (code bundle.Code, by string, err error) {
	switch {
	case open.code.given():
		code, err = bundle.ParseCode(open.code.text())
		return code, "its code", err
	case open.sheet.given():
		text, err := d.readSheet(open.sheet.text())
		if err != nil {
			return code, "", err
		}
		key, err := authority.FromSheet(text)
		if err != nil {
			return code, "", err
		}
		code, err = bundle.CodeOf(authority.BackupSecret(key))
		return code, "the recovery sheet", err
	case f.data.text() != "":
		by = "the code of " + line(f.data.text())
		err = d.withBackups(ctx, f, func(src replication.BackupSource, _ *pb.ShowBackupsResponse, _ func(replica.LastBackup) error) error {
			code = src.Code
			return nil
		})
		return code, by, err
	}
	return code, "", refusal.New("code", "", "--code CODE, --sheet FILE, or --data DIR of the machine that saved it")
}

func (d *console) checkBackup(ctx context.Context, f *ownForm, open backupFlags, path string) error {
	code, by, err := d.opener(ctx, f, open)
	if err != nil {
		return err
	}
	file, err := openFile("arguments", path)
	if err != nil {
		return err
	}
	defer file.Close()
	found, err := replication.VerifyBackup(ctx, file, code)
	if err != nil {
		return err
	}
	return d.tellChecked(f, found, by)
}

func (d *console) tellChecked(f *ownForm, found replication.Backed, by string) error {
	age := d.now().Sub(found.Until())
	fingerprint := "not named in it"
	if _, key, err := authority.ParseCertificate(found.Head.Authority); err == nil {
		fingerprint = authority.Fingerprint(key)
	}
	writer := "laptop"
	if found.Head.Server {
		writer = "server"
	}
	restores := "A server can be made of it with the recovery sheet of the practice, fingerprint " + fingerprint + ": `thawtrail restore FILE --data NEWDIR --sheet -`"
	if !found.Head.Server {
		restores += " --code CODE"
	}
	if !found.Restores() {
		restores = "A server cannot be made of it whole."
		if !found.Founded {
			restores += " The record that founded the practice is not in it."
		}
	}
	lines := []string{
		fmt.Sprintf("%s of %s in %s, all read: form, chain and signatures. Saved by the %s %q, program %s.",
			count(int(found.Records), "record"), line(found.Head.PracticeName), count(found.Logs, "log"), writer, line(found.Head.DeviceName), line(cmp.Or(found.Head.ProgramVersion, "unknown"))),
		fmt.Sprintf("All that was saved there until %s is in it; that is %s ago.", d.moment(found.Until()), wording.Ago(max(age, 0))),
		"Opened with " + by + ". " + restores,
	}
	for _, w := range found.Wrong {
		lines = append(lines, "Does not verify: "+w)
	}
	err := d.tell(f, map[string]any{
		"ok": found.Restores(), "records": found.Records, "bytes": found.Bytes, "logs": found.Logs, "practice": found.Head.PracticeName, "saved_by": found.Head.DeviceName,
		"program": found.Head.ProgramVersion, "until": rfc(found.Until()), "age_seconds": int64(age.Seconds()), "sheet_opens": found.Head.Server,
		"sheet_fingerprint": fingerprint, "wrong": append([]string{}, found.Wrong...),
	}, lines...)
	if err == nil && !found.Restores() {
		err = exitError{exitFailed}
	}
	return err
}

// backupSettings are the flags of a plan of backups.
type backupSettings struct{ to, every, keep *flagOf }

func newBackupSettings() backupSettings {
	return backupSettings{
		to:    &flagOf{name: "backup-to", metavar: "DIR", help: "folder, best on another disk, into which all records are saved by themselves; nowhere when left out"},
		every: &flagOf{name: "backup-every", metavar: "TIME", help: "from one to the next, in hours or days: 12h, 7d (1d)"},
		keep:  &flagOf{name: "backup-keep", metavar: "N", help: "how many stay in that folder (14)"},
	}
}

// Bounds of a plan of backups, and what it is when nothing is set.
const (
	leastEvery, usualEvery, mostEvery = time.Minute, 24 * time.Hour, 366 * 24 * time.Hour
	usualKeep, mostKeep               = 14, 10_000
)

// plan reads the settings.
func (s backupSettings) plan() (plan node.BackupPlan, err error) {
	plan = node.BackupPlan{To: s.to.text(), Every: usualEvery, Keep: usualKeep}
	if text := s.every.text(); text != "" {
		if plan.Every, err = everyOf(text); err != nil || plan.Every < leastEvery || plan.Every > mostEvery {
			return plan, refusal.New("backup_every", text, "hours or days, such as 12h or 7d, of 1m to 366d")
		}
	}
	if text := s.keep.text(); text != "" {
		if plan.Keep, err = strconv.Atoi(text); err != nil || plan.Keep < 1 || plan.Keep > mostKeep {
			return plan, refusal.New("backup_keep", text, fmt.Sprintf("1 to %d", mostKeep))
		}
	}
	if plan.To == "" && (s.every.given() || s.keep.given()) {
		return plan, refusal.New("backup_to", "", "--backup-to DIR: "+s.to.help)
	}
	return plan, nil
}

func everyOf(text string) (time.Duration, error) {
	if days, ok := strings.CutSuffix(text, "d"); ok {
		n, err := strconv.Atoi(days)
		if err == nil && n > 366 {
			err = errors.New("too long")
		}
		return time.Duration(n) * 24 * time.Hour, err
	}
	return time.ParseDuration(text)
}
