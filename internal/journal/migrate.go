package journal

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

//go:embed migrations/*.sql
var migrationFiles embed.FS

// migrate brings the schema up to the newest of the migrations in files, whose
// names sort in the order they apply; PRAGMA user_version counts those applied.
// They are one transaction: no program ever sees some of them. A schema newer than
// this program is refused. Where there is something to lose, backup is called first with the version it has.
func migrate(ctx context.Context, db *sql.DB, files fs.FS, backup func(version int) error) error {
	names, err := fs.Glob(files, "migrations/*.sql")
	if err != nil {
		return err
	}
	version, err := schemaVersion(ctx, db)
	if err != nil {
		return err
	}
	if version > len(names) {
		return fmt.Errorf("its schema is version %d, this program knows %d: use the newer program that wrote it", version, len(names))
	}
	if version > 0 && version < len(names) {
		if err := backup(version); err != nil {
			return fmt.Errorf("no copy can be made before its schema changes from version %d to %d: %w", version, len(names), err)
		}
	}
	if version == len(names) {
		return nil
	}
	return apply(ctx, db, files, names)
}

// asked is a database or a transaction.
type asked interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

func schemaVersion(ctx context.Context, db asked) (int, error) {
	var version int
	err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version)
	return version, err
}

// apply does what another program has not done meanwhile.
func apply(ctx context.Context, db *sql.DB, files fs.FS, names []string) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after a commit
	version, err := schemaVersion(ctx, tx)
	if err != nil {
		return err
	}
	for _, name := range names[min(version, len(names)):] {
		text, err := fs.ReadFile(files, name)
		if err == nil {
			_, err = tx.ExecContext(ctx, string(text))
		}
		if err != nil {
			return fmt.Errorf("migration %s failed: %w", name, err)
		}
	}
	// A pragma takes no parameters; the version is a number of ours.
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d", max(version, len(names)))); err != nil {
		return err
	}
	return tx.Commit()
}

// BackupFile is where the archive at path is kept as it was before its schema
// went on from a version.
func BackupFile(path string, version int) string { return fmt.Sprintf("%s.v%d", path, version) }

// backup copies the archive as it stands to its BackupFile. The copy is whole
// and on the disk, or it is not there.
func (j *Journal) backup(ctx context.Context, version int) error {
	to := BackupFile(j.path, version)
	half := to + ".half"
	if err := os.Remove(half); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	_, err := j.writer.ExecContext(ctx, "VACUUM INTO ?", half)
	if err == nil {
		err = syncFile(half) // SQLite does not
	}
	// Another program that has changed the schema meanwhile has made the copy: this one
	// may hold what came after.
	if now, asking := schemaVersion(ctx, j.writer); asking != nil || now != version {
		return errors.Join(err, asking, os.Remove(half))
	}
	if err == nil {
		err = os.Rename(half, to)
	}
	if err != nil {
		_ = os.Remove(half) // err is the one to tell
		return err
	}
	return syncFile(filepath.Dir(to))
}

// syncFile brings a file, or a directory's entries, to the disk.
func syncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
