package pipeline

import (
	"bytes"
	"compress/flate"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"syscall"

	_ "modernc.org/sqlite" // database/sql driver, no cgo

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

// ErrLocked reports an output that another run is writing, or that is open for
// review while a run wants to write it.
var ErrLocked = errors.New("pipeline: another run or review uses this output")

// ledger keeps the answers of films by key, so that no film is measured twice.
type ledger struct {
	db   *sql.DB
	lock *os.File
}

// ledgerVersion is kept in the file's user_version.
const ledgerVersion = 1

const ledgerSchema = `
CREATE TABLE IF NOT EXISTS film (
	key     TEXT PRIMARY KEY, -- content, settings, algorithm: see filmKey
	answer  BLOB NOT NULL,    -- job.Answer, JSON, deflated; its pictures without pixels
	picture INTEGER NOT NULL, -- job.Settings.Picture it was asked with
	limits  TEXT NOT NULL     -- of a film that was given up: the limits then; else empty
);
CREATE TABLE IF NOT EXISTS written ( -- whose files lie in the output
	source TEXT PRIMARY KEY,
	key    TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS written_key ON written (key, source);`

// openLedger opens or creates the ledger at path and locks it against other
// runs and readers until close.
func openLedger(path string) (*ledger, error) { return lockLedger(path, syscall.LOCK_EX) }

// openShared is openLedger for a reader among others.
func openShared(path string) (*ledger, error) { return lockLedger(path, syscall.LOCK_SH) }

func lockLedger(path string, how int) (*ledger, error) {
	lock, err := os.OpenFile(path+".lock", os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return nil, fmt.Errorf("pipeline: ledger: %w", err)
	}
	if err := syscall.Flock(int(lock.Fd()), how|syscall.LOCK_NB); err != nil {
		lock.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, ErrLocked
		}
		return nil, fmt.Errorf("pipeline: ledger: lock: %w", err)
	}
	l := &ledger{lock: lock}
	dsn := url.URL{Scheme: "file", OmitHost: true, Path: path,
		RawQuery: "_pragma=journal_mode(wal)&_pragma=synchronous(full)&_pragma=busy_timeout(10000)&_txlock=immediate"}
	if l.db, err = sql.Open("sqlite", dsn.String()); err != nil {
		lock.Close()
		return nil, fmt.Errorf("pipeline: ledger: %w", err)
	}
	l.db.SetMaxOpenConns(1)
	if err := l.init(); err != nil {
		l.close()
		return nil, fmt.Errorf("pipeline: ledger: %s: %w", path, err)
	}
	return l, nil
}

func (l *ledger) init() error {
	var version int
	if err := l.db.QueryRow("PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	if version != 0 && version != ledgerVersion {
		return fmt.Errorf("version %d, this program writes %d", version, ledgerVersion)
	}
	_, err := l.db.Exec(ledgerSchema + fmt.Sprintf("PRAGMA user_version = %d;", ledgerVersion))
	return err
}

func (l *ledger) close() error {
	err := l.db.Close()
	return errors.Join(err, l.lock.Close())
}

// entry is a film in the ledger.
type entry struct {
	answer  job.Answer
	picture int
	limits  string
}

// get returns the film of key; ok is false when it was never measured.
func (l *ledger) get(ctx context.Context, key string) (e entry, ok bool, err error) {
	var blob []byte
	err = l.db.QueryRowContext(ctx, "SELECT answer, picture, limits FROM film WHERE key = ?", key).Scan(&blob, &e.picture, &e.limits)
	if errors.Is(err, sql.ErrNoRows) {
		return entry{}, false, nil
	}
	if err != nil {
		return entry{}, false, fmt.Errorf("pipeline: ledger: %w", err)
	}
	b, err := io.ReadAll(flate.NewReader(bytes.NewReader(blob)))
	if err == nil {
		err = json.Unmarshal(b, &e.answer)
	}
	if err != nil {
		return entry{}, false, fmt.Errorf("pipeline: ledger: film %s: %w", key, err)
	}
	return e, true, nil
}

// sources returns the sources whose files in the output are those of key, the one
// given before the others.
func (l *ledger) sources(ctx context.Context, key, before string) ([]string, error) {
	rows, err := l.db.QueryContext(ctx, "SELECT source FROM written WHERE key = ? ORDER BY source <> ?, source", key, before)
	if err != nil {
		return nil, fmt.Errorf("pipeline: ledger: %w", err)
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			return nil, fmt.Errorf("pipeline: ledger: %w", err)
		}
		out = append(out, s)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("pipeline: ledger: %w", err)
	}
	return out, nil
}

// begin notes that the files of source are about to be written: from now until
// put they are nobody's.
func (l *ledger) begin(ctx context.Context, source string) error {
	if _, err := l.db.ExecContext(ctx, "DELETE FROM written WHERE source = ?", source); err != nil {
		return fmt.Errorf("pipeline: ledger: %w", err)
	}
	return nil
}

// wrote notes that the files of source are those of key.
func (l *ledger) wrote(ctx context.Context, source, key string) error {
	if _, err := l.db.ExecContext(ctx, "INSERT OR REPLACE INTO written VALUES (?, ?)", source, key); err != nil {
		return fmt.Errorf("pipeline: ledger: %w", err)
	}
	return nil
}

// put keeps the answer of key, whose files under the answer's source are
// written. Its pictures lose their pixels.
func (l *ledger) put(ctx context.Context, key string, e entry) error {
	a := e.answer
	a.Pictures = nil
	for _, p := range e.answer.Pictures {
		p.Grey = nil
		a.Pictures = append(a.Pictures, p)
	}
	b, err := json.Marshal(a)
	if err != nil {
		return fmt.Errorf("pipeline: ledger: %s: %w", a.Source, err)
	}
	var blob bytes.Buffer
	w, err := flate.NewWriter(&blob, flate.BestSpeed)
	if err != nil {
		return fmt.Errorf("pipeline: ledger: %w", err)
	}
	if _, err = w.Write(b); err == nil {
		err = w.Close()
	}
	if err != nil {
		return fmt.Errorf("pipeline: ledger: %w", err)
	}
	tx, err := l.db.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("pipeline: ledger: %w", err)
	}
	defer tx.Rollback()
	if _, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO film VALUES (?, ?, ?, ?)", key, blob.Bytes(), e.picture, e.limits); err != nil {
		return fmt.Errorf("pipeline: ledger: %w", err)
	}
	if _, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO written VALUES (?, ?)", a.Source, key); err != nil {
		return fmt.Errorf("pipeline: ledger: %w", err)
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("pipeline: ledger: %w", err)
	}
	return nil
}

// givenUp reports an answer that says more about the run than about the film.
func givenUp(a job.Answer) bool {
	for _, f := range a.Femurs {
		for _, r := range f.Record.Reasons {
			switch r {
			case measure.WorkerCrashed, measure.TimeLimit, measure.MemoryLimit:
				return true
			}
		}
	}
	return false
}

// filmKey returns the ledger's key of a film: its content, every setting that
// can change its row, what films.csv says of it, and the algorithm. Pictures
// change no row and do not count.
func filmKey(content [sha256.Size]byte, s job.Settings, b job.Beside) (string, error) {
	s.Picture = 0
	if len(s.PatientKey) > 0 { // the key itself must not be guessable from the ledger
		sum := sha256.Sum256(s.PatientKey)
		s.PatientKey = sum[:]
	}
	text, err := json.Marshal(struct {
		Content   string
		Algorithm string
		Settings  job.Settings
		Beside    job.Beside
	}{hex.EncodeToString(content[:]), job.Algorithm, s, b})
	if err != nil {
		return "", fmt.Errorf("pipeline: key: %w", err)
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:]), nil
}
