package console

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// cameraView is a camera whose still picture a page offers.
type cameraView struct{ Name, Src string }

func cameraViews(site *correlate.Site) (out []cameraView) {
	for i, c := range site.Cameras {
		out = append(out, cameraView{Name: c.Name, Src: "/sites/" + url.PathEscape(string(site.ID)) + "/cameras/" + strconv.Itoa(i)})
	}
	return out
}

// Bounds of a picture. Own choice, no source.
const (
	cameraTime     = 8 * time.Second
	cameraOctets   = 4 << 20
	camerasAtOnce  = 4
	cameraRedirect = 3
)

// cameras fetches still pictures, and nothing else, from addresses that the
// configuration names, and from nowhere that these lead to.
type cameras struct {
	client *http.Client
	places chan struct{} // one element for each picture being fetched
}

var errElsewhere = errors.New("the camera leads to another address, which is not followed")

func newCameras() *cameras {
	return &cameras{places: make(chan struct{}, camerasAtOnce), client: &http.Client{
		Timeout: cameraTime,
		Transport: &http.Transport{
			// No proxy: what is configured is a machine of one's own network.
			DialContext: (&net.Dialer{Timeout: cameraTime / 2}).DialContext, DisableKeepAlives: true,
			ResponseHeaderTimeout: cameraTime / 2, TLSHandshakeTimeout: cameraTime / 2, MaxResponseHeaderBytes: 16 << 10,
		},
		CheckRedirect: func(r *http.Request, via []*http.Request) error {
			if from := via[0].URL; r.URL.Host != from.Host || r.URL.Scheme != from.Scheme || len(via) >= cameraRedirect {
				return errElsewhere
			}
			return nil
		},
	}}
}

// picture fetches one. kind is its media type as its octets tell it.
func (c *cameras) picture(ctx context.Context, address string) (octets []byte, kind string, err error) {
	select {
	case c.places <- struct{}{}:
		defer func() { <-c.places }()
	default:
		return nil, "", errors.New("too many pictures are being fetched; try again in a moment")
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, "", fmt.Errorf("ask the camera: %w", err)
	}
	r.Header.Set("Accept", "image/jpeg, image/png, image/webp, image/gif")
	res, err := c.client.Do(r)
	if err != nil {
		return nil, "", plainURL(err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return nil, "", fmt.Errorf("the camera answered %s", res.Status)
	}
	octets, err = io.ReadAll(io.LimitReader(res.Body, cameraOctets+1))
	if err != nil {
		return nil, "", plainURL(err)
	}
	if len(octets) > cameraOctets {
		return nil, "", fmt.Errorf("the camera's picture is larger than %d MiB", cameraOctets>>20)
	}
	// What it says it is does not count: the octets decide, and only pictures
	// that cannot carry a script are passed on.
	switch kind = http.DetectContentType(octets); kind {
	case "image/jpeg", "image/png", "image/webp", "image/gif":
		return octets, kind, nil
	}
	return nil, "", errors.New("what the camera sent is no picture")
}

// plainURL takes the address, which is the configuration's business, off an
// error.
func plainURL(err error) error {
	if wrapped, ok := errors.AsType[*url.Error](err); ok {
		err = wrapped.Err
	}
	return fmt.Errorf("the camera does not answer: %w", err)
}

// camera answers GET /sites/{id}/cameras/{n} with the picture of now.
func (s *server) camera(w http.ResponseWriter, r *http.Request) error {
	n, err := strconv.Atoi(r.PathValue("n"))
	var address string
	s.Board.Read(func(_ *correlate.State, net *correlate.Network) {
		if site := net.Site(correlate.SiteID(r.PathValue("id"))); err == nil && site != nil && n >= 0 && n < len(site.Cameras) {
			address = site.Cameras[n].URL
		}
	})
	if address == "" {
		return notFound("there is no such camera")
	}
	octets, kind, err := s.cameras.picture(r.Context(), address)
	if err != nil {
		return &api.Problem{Type: "about:blank", Title: http.StatusText(http.StatusBadGateway), Status: http.StatusBadGateway, Detail: err.Error()}
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Length", strconv.Itoa(len(octets)))
	// A reader that went away needs no picture.
	_, _ = w.Write(octets)
	return nil
}
