package journal

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"
)

//go:embed migrations/*.sql
var migrationFiles embed.FS

// migrate brings the schema up to the newest of the migrations in files, whose
// names sort in the order they apply; PRAGMA user_version counts those applied.
// Each is one transaction. A schema newer than this program is refused.
func migrate(ctx context.Context, db *sql.DB, files fs.FS) error {
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
	for i := version; i < len(names); i++ {
		if err := apply(ctx, db, files, names[i], i+1); err != nil {
			return fmt.Errorf("migration %s failed: %w", names[i], err)
		}
	}
	return nil
}

func schemaVersion(ctx context.Context, db *sql.DB) (int, error) {
	var version int
	err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version)
	return version, err
}

func apply(ctx context.Context, db *sql.DB, files fs.FS, name string, version int) error {
	text, err := fs.ReadFile(files, name)
	if err != nil {
		return err
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after a commit
	if _, err := tx.ExecContext(ctx, string(text)); err != nil {
		return err
	}
	// A pragma takes no parameters; version is a number of ours.
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d", version)); err != nil {
		return err
	}
	return tx.Commit()
}
