package review

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
)

func guard(t testing.TB) *Guard {
	t.Helper()
	g, err := NewGuard("127.0.0.1:8000", false)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// inside answers every request that a guard lets through.
var inside = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
	if b, err := io.ReadAll(r.Body); err != nil {
		fail(w, http.StatusRequestEntityTooLarge, "too much was sent")
	} else {
		fmt.Fprintf(w, "inside %d", len(b))
	}
})

// ask makes a request as a browser on the page would, changed by change.
func ask(g *Guard, h http.Handler, method, path, body string, change func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.Host = g.host
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	r.AddCookie(&http.Cookie{Name: g.cookie, Value: g.session})
	if method == http.MethodPost {
		r.Header.Set("Origin", g.origin())
		r.Header.Set(headerName, headerValue)
		r.Header.Set("Content-Type", "application/json")
	}
	if change != nil {
		change(r)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// Only requests of the page itself come through.
func TestGuard(t *testing.T) {
	g := guard(t)
	h := g.Wrap(inside)
	set := func(key, value string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set(key, value) }
	}
	for _, c := range []struct {
		name, method, path string
		change             func(*http.Request)
		want               int
	}{
		{"the page", "GET", "/", nil, 200},
		{"the list", "GET", "/api/list", nil, 200},
		{"a change", "POST", "/api/decide/0", nil, 200},
		{"a browser without Fetch Metadata", "POST", "/api/decide/0", func(r *http.Request) { r.Header.Del("Sec-Fetch-Site") }, 200},

		// DNS rebinding: another name that resolves to this machine.
		{"another host", "GET", "/api/list", func(r *http.Request) { r.Host = "evil.example:8000" }, 403},
		{"another port", "GET", "/api/list", func(r *http.Request) { r.Host = "127.0.0.1:8001" }, 403},
		{"no port", "GET", "/api/list", func(r *http.Request) { r.Host = "127.0.0.1" }, 403},
		{"another name of this machine", "GET", "/api/list", func(r *http.Request) { r.Host = "localhost:8000" }, 403},
		{"no host", "GET", "/api/list", func(r *http.Request) { r.Host = "" }, 403},

		{"no session", "GET", "/", func(r *http.Request) { r.Header.Del("Cookie") }, 401},
		{"no session, a file", "GET", "/app.js", func(r *http.Request) { r.Header.Del("Cookie") }, 401},
		{"no session, a film", "GET", "/api/image/0", func(r *http.Request) { r.Header.Del("Cookie") }, 401},
		{"another session", "GET", "/api/list", set("Cookie", g.cookie+"="+secret()), 401},
		{"an empty session", "GET", "/api/list", set("Cookie", g.cookie+"="), 401},
		{"the token as session", "GET", "/api/list", set("Cookie", g.cookie+"="+g.token), 401},
		{"the token elsewhere", "GET", "/api/list?token=" + g.token, func(r *http.Request) { r.Header.Del("Cookie") }, 401},

		// Cross-site requests, with a session as older browsers would send it.
		{"a form of another site", "POST", "/api/decide/0", set("Origin", "https://evil.example"), 403},
		{"a sandboxed frame", "POST", "/api/decide/0", set("Origin", "null"), 403},
		{"another port's page", "POST", "/api/decide/0", set("Origin", "http://127.0.0.1:9000"), 403},
		{"the same by another scheme", "POST", "/api/decide/0", set("Origin", "https://127.0.0.1:8000"), 403},
		{"a change without an origin", "POST", "/api/decide/0", func(r *http.Request) { r.Header.Del("Origin") }, 403},
		{"a change without the header", "POST", "/api/decide/0", func(r *http.Request) { r.Header.Del(headerName) }, 403},
		{"another header value", "POST", "/api/decide/0", set(headerName, "0"), 403},
		{"another site's picture", "GET", "/api/image/0", set("Sec-Fetch-Site", "cross-site"), 403},
		{"another port's picture", "GET", "/api/image/0", set("Sec-Fetch-Site", "same-site"), 403},
		{"another site's script", "GET", "/", func(r *http.Request) {
			r.Header.Set("Sec-Fetch-Site", "cross-site")
			r.Header.Set("Sec-Fetch-Mode", "no-cors")
		}, 403},
		{"another site's fetch", "GET", "/api/list", set("Origin", "https://evil.example"), 403},

		{"PUT", "PUT", "/api/decide/0", nil, 403},
		{"DELETE", "DELETE", "/api/decide/0", nil, 403},
		{"OPTIONS", "OPTIONS", "/api/decide/0", nil, 403},
		{"TRACE", "TRACE", "/", nil, 403},
	} {
		w := ask(g, h, c.method, c.path, "{}", c.change)
		if w.Code != c.want {
			t.Errorf("%s: %d %s, want %d", c.name, w.Code, w.Body, c.want)
		}
		if c.want != 200 && strings.Contains(w.Body.String(), "inside") {
			t.Errorf("%s: came through", c.name)
		}
	}
}

// The token opens the page once it is exchanged, and is not in its address then.
func TestToken(t *testing.T) {
	g := guard(t)
	h := g.Wrap(inside)
	u, err := url.Parse(g.Address())
	if err != nil || u.Host != "127.0.0.1:8000" || u.Scheme != "http" {
		t.Fatalf("%v, %v", u, err)
	}
	bare := func(r *http.Request) {
		r.Header.Del("Cookie")
		r.Header.Set("Sec-Fetch-Site", "none")
	}
	w := ask(g, h, "GET", u.RequestURI(), "", bare)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/" {
		t.Fatalf("%d to %q", w.Code, w.Header().Get("Location"))
	}
	c := w.Result().Cookies()
	if len(c) != 1 || !c[0].HttpOnly || c[0].SameSite != http.SameSiteStrictMode || c[0].Value != g.session || c[0].Domain != "" {
		t.Errorf("cookie %+v", c)
	}
	for _, wrong := range []string{"/?token=", "/?token=" + g.token[1:], "/?token=" + g.session, "/?token=" + strings.ToLower(g.token)} {
		if w := ask(g, h, "GET", wrong, "", bare); w.Code != http.StatusUnauthorized || len(w.Result().Cookies()) > 0 {
			t.Errorf("%s: %d, %v", wrong, w.Code, w.Result().Cookies())
		}
	}
	// Two programs on one machine, in one browser: their sessions are kept apart.
	if other, err := NewGuard("127.0.0.1:8001", false); err != nil || other.cookie == g.cookie {
		t.Errorf("both keep their session in %q, %v", g.cookie, err)
	}
	if a, b := guard(t), guard(t); a.token == b.token || a.session == b.session || a.token == a.session || len(a.token) < 43 {
		t.Errorf("secrets %q %q %q %q", a.token, a.session, b.token, b.session) // 43 characters of base64 hold 256 bits
	}
}

// Every answer, refusals too, says what a page may load.
func TestHeaders(t *testing.T) {
	g := guard(t)
	h := g.Wrap(inside)
	for _, change := range []func(*http.Request){nil, func(r *http.Request) { r.Host = "evil.example" }, func(r *http.Request) { r.Header.Del("Cookie") }} {
		head := ask(g, h, "GET", "/", "", change).Header()
		for key, want := range map[string]string{
			"X-Content-Type-Options":       "nosniff",
			"Referrer-Policy":              "no-referrer",
			"Cross-Origin-Resource-Policy": "same-origin",
			"Cache-Control":                "no-store",
		} {
			if got := head.Get(key); got != want {
				t.Errorf("%s: %q, want %q", key, got, want)
			}
		}
		directives := map[string]string{}
		for _, d := range strings.Split(head.Get("Content-Security-Policy"), ";") {
			name, value, _ := strings.Cut(strings.TrimSpace(d), " ")
			directives[name] = value
		}
		for name, want := range map[string]string{"default-src": "'none'", "script-src": "'self'", "style-src": "'self'", "img-src": "'self' blob:", "connect-src": "'self'",
			"base-uri": "'none'", "form-action": "'none'", "frame-ancestors": "'none'"} {
			if directives[name] != want {
				t.Errorf("%s %q, want %q", name, directives[name], want)
			}
			delete(directives, name)
		}
		if len(directives) > 0 {
			t.Errorf("more is allowed: %v", directives)
		}
		for key := range head {
			if strings.HasPrefix(key, "Access-Control-") {
				t.Errorf("other sites may read: %s", key)
			}
		}
	}
}

// Addresses that other machines reach are refused without TLS, and those that
// stand for no one host always.
func TestAddresses(t *testing.T) {
	for _, c := range []struct {
		addr string
		tls  bool
		host string // empty: refused
	}{
		{"127.0.0.1:80", false, "127.0.0.1"},
		{"127.0.0.1:8080", false, "127.0.0.1:8080"},
		{"[::1]:8080", false, "[::1]:8080"},
		{"localhost:8080", false, "localhost:8080"},
		{"127.0.0.1:443", true, "127.0.0.1"},
		{"192.0.2.1:8443", true, "192.0.2.1:8443"},
		{"Reading-Room.example:443", true, "reading-room.example"},
		{"192.0.2.1:8080", false, ""},
		{"reading-room.example:8080", false, ""},
		{"localhost.evil.example:8080", false, ""},
		{"[::ffff:192.0.2.1]:80", false, ""},
		{":8080", false, ""},
		{":8443", true, ""},
		{"0.0.0.0:8443", true, ""},
		{"[::]:8443", true, ""},
		{"127.0.0.1", false, ""},
	} {
		g, err := NewGuard(c.addr, c.tls)
		switch {
		case c.host == "" && err == nil:
			t.Errorf("%s, TLS %v: not refused", c.addr, c.tls)
		case c.host != "" && (err != nil || g.host != c.host):
			t.Errorf("%s, TLS %v: %+v, %v", c.addr, c.tls, g, err)
		}
	}
	if l, _, err := Listen("192.0.2.1:0", false); err == nil {
		l.Close()
		t.Error("opened beyond this machine")
	}
	g, err := NewGuard("192.0.2.1:8443", true)
	if err != nil {
		t.Fatal(err)
	}
	w := ask(g, g.Wrap(inside), "GET", "/?token="+g.token, "", func(r *http.Request) { r.Header.Del("Cookie") })
	if c := w.Result().Cookies(); len(c) != 1 || !c[0].Secure || w.Header().Get("Strict-Transport-Security") == "" || !strings.HasPrefix(g.Address(), "https://") {
		t.Errorf("over TLS: %+v, %v", c, w.Header())
	}
}

// No path that a browser sends reaches the file system: there are ids of rows
// and the files of the page, by their names.
func TestPaths(t *testing.T) {
	_, g, h := served(t, archive(t), ann)
	for _, path := range []string{"/page/index.html", "/../security.go", "/..%2fsecurity.go", "/%2e%2e/store.go", "/etc/passwd", "//etc/passwd", "/index.html/../../go.mod", "/api", "/api/",
		"/api/row/", "/api/row/-1", "/api/row/4", "/api/row/99999999999999999999", "/api/row/0x1", "/api/row/first.dcm", "/api/row/..%2f..%2fledger.sqlite", "/api/row/%2e%2e",
		"/api/image/..%2ffirst.dcm", "/api/thumb/..%2f..%2frun.json", "/api/thumb/-0/x", "/api/list/0", "/api/decide/0"} {
		w := ask(g, h, "GET", path, "", nil)
		switch w.Code {
		case http.StatusNotFound, http.StatusMethodNotAllowed:
		case http.StatusMovedPermanently, http.StatusTemporaryRedirect: // the path made plain, to be refused then
			if to := w.Header().Get("Location"); strings.Contains(to, "..") || strings.HasPrefix(to, "//") {
				t.Errorf("%s: sent on to %q", path, to)
			}
		default:
			t.Errorf("%s: %d %.80s", path, w.Code, w.Body)
		}
	}
}

// A body or a header without end is cut off.
func TestRequestLimits(t *testing.T) {
	_, g, h := served(t, archive(t), ann)
	long := `{"version":0,"state":"accepted","note":"` + strings.Repeat("x", maxBodyBytes) + `"}`
	if w := ask(g, h, "POST", "/api/decide/0", long, nil); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- Serve(ctx, l, h, "", "") }()
	c, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprintf(c, "GET / HTTP/1.1\r\nHost: x\r\nX-Long: %s\r\n\r\n", strings.Repeat("x", 2*maxHeaderBytes))
	line, err := bufio.NewReader(c).ReadString('\n')
	if !strings.Contains(line, "431") {
		t.Errorf("%q, %v", line, err)
	}
	end()
	if err := <-done; err != nil {
		t.Errorf("the server ended with %v", err)
	}
}
