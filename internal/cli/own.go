package cli

import (
	"encoding/json"
	"regexp"
	"strings"

	"github.com/spf13/cobra"

	"thawtrail/internal/caution"
	"thawtrail/internal/refusal"
)

// ownCommand is a command that no .proto file names.
type ownCommand struct {
	words string
	cmd   *cobra.Command
}

func (d *console) ownCommands() []ownCommand {
	return append(d.serviceCommands(), []ownCommand{
		{"label read", d.labelCommand()},
		{"server", d.serverCommand()},
		{"agent", d.agentCommand()},
		{"server host", d.serverHostCommand()},
		{"server init", d.serverInitCommand()},
		{"server invite", d.serverInviteCommand()},
		{"server admit", d.serverAdmitCommand()},
		{"server revoke", d.serverRevokeCommand()},
		{"server restore", d.serverRestoreCommand()},
		{"server move", d.serverMoveCommand()},
		{"server delete", d.serverDeleteCommand()},
		{"agent enrol", d.agentEnrolCommand()},
		{"handover code", d.handoverCodeCommand()},
		{"takeover code", d.takeoverCodeCommand()},
		{"books write", d.booksWriteCommand()},
		{"books read", d.booksReadCommand()},
		{"backup", d.backupCommand()},
		{"backup check", d.backupCheckCommand()},
		{"backup code", d.backupCodeCommand()},
		{"restore", d.restoreCommand()},
		{"passphrase", d.passphraseCommand()},
		{"pin set", d.pinCommand()},
		{"pin list", d.pinListCommand()},
		{"switch", d.switchCommand()},
		{"page", d.pageCommand()},
		{"verify", d.verifyCommand()},
		{"losses", d.lossesCommand()},
		{"doctor", d.doctorCommand()},
		{"keys tidy", d.keysTidyCommand()},
		{"audit proof", d.proofCommand()},
		{"audit recall-proof", d.recallProofCommand()},
		{"audit file", d.fileCommand()},
		{"client export", d.exportCommand()},
		{"import", d.importCommand()},
		{"audit verify-proof", d.verifyProofCommand()},
		{"bench", d.benchCommand()},
		{"demo", d.demoCommand()},
		{"rehearse", d.rehearseCommand()},
		{"caution list", d.cautionCommand()},
		{"config", d.configCommand()},
		{"version", d.versionCommand()},
	}...)
}

// noArgs refuses whatever is typed beside flags.
func noArgs(_ *cobra.Command, words []string) error {
	if len(words) > 0 {
		return refusal.New("arguments", words[0], "nothing here but flags")
	}
	return nil
}

// plain is a command without arguments that can print JSON.
func plain(use, short, example string, run func(asJSON bool) error) *cobra.Command {
	asJSON := jsonFlag()
	cmd := &cobra.Command{
		Use: use, Short: short, Example: example, Args: noArgs, DisableFlagsInUseLine: true,
		RunE: func(*cobra.Command, []string) error { return run(asJSON.text() == "true") },
	}
	bindCommon(cmd.Flags(), asJSON)
	return cmd
}

// verbs are the places of a caution's text where numbers go.
var verbs = regexp.MustCompile(`%[sdvq]`)

func (d *console) cautionCommand() *cobra.Command {
	return plain("list", "Every caution that this program can show", "caution list", func(asJSON bool) error {
		type row struct {
			Code  string `json:"code"`
			Level string `json:"level"`
			Text  string `json:"text"`
		}
		var rows []row
		p := newPage(d.out)
		for _, k := range caution.All() {
			text := strings.ReplaceAll(verbs.ReplaceAllString(k.Format, "…"), "%%", "%")
			rows = append(rows, row{k.Code, k.Level.String(), text})
		}
		if asJSON {
			return d.object(map[string]any{"cautions": rows})
		}
		for _, r := range rows {
			p.line(r.Code + "  [" + r.Level + "]")
			p.wrap("  ", r.Text)
		}
		return nil
	})
}

// object prints any value as one JSON object.
func (d *console) object(v any) error {
	raw, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return d.printJSON(raw)
}
