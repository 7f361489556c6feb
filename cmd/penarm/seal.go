package main

import (
	"crypto/ed25519"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"penarm/verify/seal"
)

const defaultKey = "plant.key"

func newKey() *cobra.Command {
	return &cobra.Command{
		Use:   "key [FILE]",
		Short: "Make the plant's key pair for seals and decisions",
		Long: `Make the plant's key pair: FILE (plant.key where none is named) for penarm seal and
penarm sign, and FILE.pub for everybody who checks them. Keep FILE where only those
who may sign can read it, and give FILE.pub to the inspector. Never overwrites a key.

Exit status: 0, 3 where the key cannot be written, 64 for wrong use.`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			path := defaultKey
			if len(args) > 0 {
				path = args[0]
			}
			public, err := seal.NewKey(path)
			if err != nil {
				return unread(err)
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s and %s.pub: key %s\n", path, path, seal.Fingerprint(hex.EncodeToString(public)))
			return err
		},
	}
}

func newSeal() *cobra.Command {
	var key, scan string
	var check bool
	cmd := &cobra.Command{
		Use:   "seal [--check] [--key FILE] [--scan PATH] FOLDER...",
		Short: "Seal results so that later changes show; see whether they did",
		Long: `Seal results, OUT/0001 for one: a manifest with the SHA-256 of every file and of
the scan, signed with the plant's key (penarm key), is added to the folder. A sealed
folder is not written over by penarm check.

With --check: say which files were changed, added or taken away since, and which
decisions (penarm sign) stand. --key is then the .pub file; without it the key that
the seal itself names is taken, and must be compared with the plant's.

` + seal.Limits + `

Exit status:
  0   sealed; with --check: all is whole
  1   with --check: something was changed
  3   a folder or key could not be read or written
  64  wrong use`,
		Example: "  penarm seal OUT/0001\n  penarm seal --check --key plant.key.pub --scan scans OUT/*",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, dirs []string) error {
			w := cmd.OutOrStdout()
			if !check {
				private, err := seal.PrivateKey(key)
				if err != nil {
					return unread(fmt.Errorf("--key: %w", err))
				}
				for _, dir := range dirs {
					m, err := seal.Seal(dir, scan, private, time.Now)
					if err != nil {
						return unread(err)
					}
					if _, err := fmt.Fprintf(w, "%s: sealed, %d files, key %s\n", line(dir), len(m.Files), seal.Fingerprint(m.Key)); err != nil {
						return unread(err)
					}
				}
				return nil
			}
			var public ed25519.PublicKey
			if cmd.Flags().Changed("key") {
				var err error
				if public, err = seal.PublicKey(key); err != nil {
					return unread(fmt.Errorf("--key: %w", err))
				}
			}
			var bad error
			var broken []error
			for _, dir := range dirs {
				r, err := seal.Check(dir, scan, public)
				if err != nil {
					broken = append(broken, err)
					continue
				}
				if len(r.Changed) > 0 {
					bad = exitStatus{1, nil}
				}
				if err := printSeal(w, dir, r, public != nil, scan != ""); err != nil {
					return unread(err)
				}
			}
			if len(broken) > 0 {
				return unread(errors.Join(broken...))
			}
			return bad
		},
	}
	f := cmd.Flags()
	f.BoolVar(&check, "check", false, "do not seal: see whether sealed folders are whole")
	f.StringVar(&key, "key", defaultKey, "the plant's key; with --check its .pub file")
	f.StringVar(&scan, "scan", "", "the scan, or the folder where it lies under its name, to be compared too")
	return cmd
}

// printSeal says what a check of a sealed folder shows.
func printSeal(w io.Writer, dir string, r *seal.Report, keyGiven, scanGiven bool) error {
	var b strings.Builder
	if len(r.Changed) > 0 {
		fmt.Fprintf(&b, "%s: CHANGED since it was sealed\n", line(dir))
		for _, s := range r.Changed {
			fmt.Fprintf(&b, "  %s\n", line(s))
		}
	} else {
		fmt.Fprintf(&b, "%s: whole since %s, %d files\n", line(dir), line(r.Manifest.SealedAt), len(r.Manifest.Files))
	}
	if r.Manifest == nil {
		_, err := io.WriteString(w, b.String())
		return err
	}
	if !keyGiven {
		fmt.Fprintf(&b, "  key %s: compare it with the plant's, or give --key\n", seal.Fingerprint(r.Manifest.Key))
	}
	if !scanGiven {
		fmt.Fprintf(&b, "  the scan %s was not compared: give --scan\n", line(r.Manifest.Scan.File))
	}
	for _, d := range r.Decisions {
		fmt.Fprintf(&b, "  decision %d, %s, %s: %s", d.Number, line(d.SignedAt), line(d.As), line(d.Decision))
		if d.Note != "" {
			fmt.Fprintf(&b, ": %s", line(d.Note))
		}
		b.WriteByte('\n')
	}
	if len(r.Decisions) > 0 {
		fmt.Fprintf(&b, "  head %s\n", r.Head)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func newSign() *cobra.Command {
	var key, as, decision, note string
	cmd := &cobra.Command{
		Use:   "sign --as NAME --decision " + strings.Join(seal.Decisions, "|") + " [--note TEXT] [--key FILE] FOLDER",
		Short: "Add a person's decision to a sealed result",
		Long: `Add a person's decision to a sealed result. Decisions are appended, never changed:
each is signed with the plant's key and holds the hash of the one before, so that none
can be altered, moved or taken out unseen. A later decision stands beside an earlier
one. Nothing is added to a folder that was changed since it was sealed.

Write the head that is printed on the paper report, or keep it elsewhere: it alone
shows that no later decision was taken away by putting the whole folder back.

` + seal.Limits + `

Exit status: 0, 3 where the folder or key cannot be used, 64 for wrong use.`,
		Example: `  penarm sign OUT/0001 --as "A. Reed" --decision accept`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			d, err := seal.NewDecision(as, decision, note)
			if err != nil {
				return fmt.Errorf("%w: give --as, --decision and --note", err)
			}
			private, err := seal.PrivateKey(key)
			if err != nil {
				return unread(fmt.Errorf("--key: %w", err))
			}
			head, err := seal.Sign(args[0], d, private, time.Now)
			if err != nil {
				return unread(err)
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: decision %d, %s: %s; head %s\n", line(args[0]), d.Number, line(d.As), d.Decision, head)
			return err
		},
	}
	f := cmd.Flags()
	f.StringVar(&as, "as", "", "who decides")
	f.StringVar(&decision, "decision", "", strings.Join(seal.Decisions, ", "))
	f.StringVar(&note, "note", "", "why; needed for reject and hold")
	f.StringVar(&key, "key", defaultKey, "the plant's key")
	return cmd
}
