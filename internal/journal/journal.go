package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

var (
	// ErrFull says that the disk is full. What was committed is intact.
	ErrFull = errors.New("the disk is full: free some space, or prune the archive")
	// ErrDamaged says that the archive file failed its check.
	ErrDamaged = errors.New("the archive file is damaged: keep a copy, then restore a backup or start a new file")
	// ErrReadOnly says that the disk takes no writing or fails.
	ErrReadOnly = errors.New("the disk fails or can only be read: look for a write-protected or worn card")
	// ErrNoRun says that there is no run with that id.
	ErrNoRun = errors.New("there is no such run in the archive")
)

// Journal is an open archive. It may be used by several goroutines.
type Journal struct {
	path   string
	writer *sql.DB // one connection
	reader *sql.DB

	mu     sync.Mutex // one commit at a time, since seq must follow the order of commits
	seq    atomic.Uint64
	stmts  statements
	opened []string // names of outboxes
}

// Open opens the archive at path, creating it where there is none, checks it
// (PRAGMA quick_check) and brings its schema up to date, after a copy of an older
// one (see BackupFile).
func Open(path string) (*Journal, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return nil, fmt.Errorf("cannot open the archive: %w", err)
	}
	return open(path)
}

// OpenExisting is Open for commands that only read: it makes no new archive.
func OpenExisting(path string) (*Journal, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("cannot open the archive: %w: name the directory the daemon keeps its data in", err)
	}
	return open(path)
}

// openWithin is how long another program that makes the archive is waited for:
// SQLite itself does not wait while a new file changes to its log.
const (
	openWithin = 10 * time.Second
	openAgain  = 20 * time.Millisecond
)

func open(path string) (*Journal, error) {
	for began := time.Now(); ; {
		j := &Journal{path: path}
		err := j.connect()
		if err == nil {
			return j, nil
		}
		_ = j.Close()
		if !busy(err) || time.Since(began) > openWithin {
			return nil, j.explain("open", err)
		}
		time.Sleep(openAgain)
	}
}

func busy(err error) bool {
	var se *sqlite.Error
	return errors.As(err, &se) && se.Code()&0xff == sqlite3.SQLITE_BUSY
}

// connect opens both pools. WAL lets readers go on beside the writer; FULL
// syncs every commit, so that a power loss takes nothing acknowledged. The
// vacuum mode counts for a new file only and has to come first; it lets Prune
// give room back to the disk.
func (j *Journal) connect() error {
	ctx := context.Background()
	const shared = "_pragma=busy_timeout(10000)&_pragma=foreign_keys(1)"
	const asks = shared + "&_pragma=query_only(1)"
	err := j.check(ctx, asks)
	if err != nil {
		return err
	}
	if j.writer, err = sql.Open("sqlite", j.source("_pragma=auto_vacuum(INCREMENTAL)&"+shared+"&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_txlock=immediate")); err != nil {
		return err
	}
	j.writer.SetMaxOpenConns(1)
	if err := migrate(ctx, j.writer, migrationFiles, func(v int) error { return j.backup(ctx, v) }); err != nil {
		return err
	}
	if j.reader, err = sql.Open("sqlite", j.source(asks)); err != nil {
		return err
	}
	j.reader.SetMaxOpenConns(4)
	if err := j.prepare(ctx); err != nil {
		return err
	}
	return j.loadSeq(ctx)
}

func (j *Journal) source(query string) string {
	return "file:" + (&url.URL{Path: filepath.ToSlash(j.path)}).EscapedPath() + "?" + query
}

// check looks at the file before anything may write to it: what is damaged is
// left as it is, for whoever mends it.
func (j *Journal) check(ctx context.Context, query string) error {
	if _, err := os.Stat(j.path); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	db, err := sql.Open("sqlite", j.source(query))
	if err != nil {
		return err
	}
	return errors.Join(quickCheck(ctx, db), db.Close())
}

func quickCheck(ctx context.Context, db *sql.DB) error {
	var found string
	if err := db.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&found); err != nil {
		return err
	}
	if found != "ok" {
		return fmt.Errorf("%w (%s)", ErrDamaged, found)
	}
	return nil
}

// Close closes the archive. Commits that have returned are safe without it.
func (j *Journal) Close() error {
	var err error
	for _, db := range []*sql.DB{j.reader, j.writer} {
		if db != nil {
			err = errors.Join(err, db.Close())
		}
	}
	return err
}

// FillUp lets the archive's file grow no more, as a full disk would: commits then
// end with ErrFull. It is for trials; false takes the bound away.
func (j *Journal) FillUp(ctx context.Context, full bool) error {
	bound := int64(1) // SQLite takes the present size for less than that
	if !full {
		bound = 1<<32 - 2
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	_, err := j.writer.ExecContext(ctx, fmt.Sprintf("PRAGMA max_page_count = %d", bound))
	return j.explain("bound", err)
}

// Path is the archive's file.
func (j *Journal) Path() string { return j.path }

// LastSeq is the number of the newest event or message.
func (j *Journal) LastSeq() uint64 { return j.seq.Load() }

// explain says what could not be done, with ErrFull or ErrDamaged where SQLite
// means that.
func (j *Journal) explain(what string, err error) error {
	if err == nil {
		return nil
	}
	var se *sqlite.Error
	if errors.As(err, &se) {
		switch se.Code() & 0xff { // the low byte is the primary result code
		case sqlite3.SQLITE_FULL:
			err = fmt.Errorf("%w (%v)", ErrFull, err)
		case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
			err = fmt.Errorf("%w (%v)", ErrDamaged, err)
		case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR:
			err = fmt.Errorf("%w (%v)", ErrReadOnly, err)
		}
	}
	return fmt.Errorf("cannot %s the archive %s: %w", what, j.path, err)
}
