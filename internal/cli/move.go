package cli

import (
	"context"
	"encoding/hex"
	"fmt"

	"github.com/spf13/cobra"

	"thawtrail/internal/refusal"
	"thawtrail/internal/wholefile"
	"thawtrail/server"
)

// Where a practice moves to, as it is typed.
const (
	toDatabase = "database"
	toFolder   = "folder"
)

func (d *console) serverMoveCommand() *cobra.Command {
	to := &flagOf{name: "to", metavar: "PLACE", help: "database or folder: where the practice is to lie from then on", required: true}
	base := newDatabase()
	base.url.required = true
	base.url.help = "PostgreSQL that has the practice under the name of the folder, or is to have it. A password is better kept in PGPASSFILE"
	return d.ownForm("move --data DIR --database URL --to PLACE", "Move a practice from its folder to a database, or back, while its server is stopped",
		"server move --data /var/lib/thawtrail/alder --database 'postgres://thawtrail@db.example/thawtrail?sslmode=verify-full' --to database", 0,
		[]*flagOf{base.url, to},
		func(ctx context.Context, f *ownForm, _ []string) error {
			direction := server.ToDatabase
			switch to.text() {
			case toDatabase:
			case toFolder:
				direction = server.ToFolder
			default:
				return refusal.New("to", to.text(), toDatabase+" or "+toFolder)
			}
			names, err := base.open(ctx, f.data.text())
			if err != nil {
				return err
			}
			defer base.close()
			if direction == server.ToDatabase {
				names = wholefile.Folder(f.data.text())
			}
			secret, err := f.unlock.secretIn(d, names)
			if err != nil {
				return err
			}
			moved, err := server.Move(ctx, server.MoveConfig{Data: f.data.text(), Database: base.opened, Secret: secret, To: direction})
			if err != nil {
				return err
			}
			return d.tellMoved(f, moved, direction)
		})
}

func (d *console) tellMoved(f *ownForm, moved server.Moved, to server.Direction) error {
	sum := hex.EncodeToString(moved.SHA256[:])
	there, next := "in the database", "Start its server with --database. What lay in the folder is there still, and no server starts on it: delete it when a backup of the new place was checked."
	if to == server.ToFolder {
		there, next = "in the folder "+line(f.data.text()), "Start its server without --database. What lay in the database is there still, and no server starts on it: `thawtrail server delete` takes it away."
	}
	return d.tell(f, map[string]any{
		"ok": true, "practice": moved.Practice, "records": moved.Records, "files": moved.Files, "sha256": sum,
	},
		fmt.Sprintf("%s is %s now: %s and %s, read back and the same.", line(moved.Practice), there, count(int(moved.Records), "record"), count(moved.Files, "small file")),
		"SHA-256 over the records in their order: "+sum,
		next)
}

func (d *console) serverDeleteCommand() *cobra.Command {
	practice := &flagOf{name: "practice", metavar: metaText, help: "the name of the practice, letter by letter: what is deleted is gone for good", required: true}
	base := newDatabase()
	return d.ownForm("delete --data DIR --practice NAME", "Delete a practice's server for good: records and keys, in its folder or in a database",
		"server delete --data /var/lib/thawtrail/alder --practice 'Alder Creek Equine'", 0, []*flagOf{practice, base.url},
		func(ctx context.Context, f *ownForm, _ []string) error {
			names, err := base.open(ctx, f.data.text())
			if err != nil {
				return err
			}
			defer base.close()
			secret, err := f.unlock.secretIn(d, names)
			if err != nil {
				return err
			}
			if err := server.Delete(ctx, server.DeleteConfig{Data: f.data.text(), Database: base.opened, Secret: secret, Practice: practice.text()}); err != nil {
				return err
			}
			return d.tell(f, map[string]any{"ok": true, "practice": practice.text()},
				line(practice.text())+" is deleted here: records, keys and codes.",
				"What its laptops and its backups hold is theirs still. The recovery sheet and a backup make a server of it again.")
		})
}
