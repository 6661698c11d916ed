package main

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"go.yaml.in/yaml/v4"
)

var update = flag.Bool("update", false, "write the files that are made from the code")

const deployFolder = "../../deploy"

// ownMetric is what a description says of one of our metrics.
type ownMetric struct {
	name, help string
	labels     []string
}

var described = regexp.MustCompile(`fqName: "([^"]*)", help: "([^"]*)".*variableLabels: \{([^}]*)\}`)

// ownMetrics are all that the daemon's collector describes.
func ownMetrics(t *testing.T) []ownMetric {
	t.Helper()
	ch := make(chan *prometheus.Desc)
	go func() {
		defer close(ch)
		collector{}.Describe(ch)
	}()
	var all []ownMetric
	for d := range ch {
		m := described.FindStringSubmatch(d.String())
		if m == nil {
			t.Fatalf("the library describes a metric in another way: %s", d)
		}
		labels := strings.FieldsFunc(m[3], func(r rune) bool { return r == ',' })
		all = append(all, ownMetric{m[1], m[2], labels})
	}
	slices.SortFunc(all, func(a, b ownMetric) int { return strings.Compare(a.name, b.name) })
	return all
}

// TestMetricsPage: the handbook's page lists every metric that there is and no
// other; -update writes it.
func TestMetricsPage(t *testing.T) {
	var page bytes.Buffer
	page.WriteString("# Metrics\n\nWhat `/metrics` serves in the Prometheus text format, made from the code. Labels are bounded: listeners, gateways,\nseverities and reasons, never sites or agents. Metrics of the Go runtime (`go_`) and the process (`process_`) stand beside\nthem under their usual names.\n\n| metric | labels | what it says |\n| --- | --- | --- |\n")
	for _, m := range ownMetrics(t) {
		if !strings.HasPrefix(m.name, "standwatch_") || !strings.HasSuffix(m.help, ".") {
			t.Errorf("%s: %q is not in the form of the others", m.name, m.help)
		}
		fmt.Fprintf(&page, "| `%s` | %s | %s |\n", m.name, strings.Join(m.labels, ", "), m.help)
	}
	file := filepath.Join(deployFolder, "handbook", "metrics.md")
	if *update {
		if err := os.WriteFile(file, page.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	have, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(have, page.Bytes()) {
		t.Errorf("%s is not what the code says; run go test ./cmd/standwatch -run MetricsPage -update", file)
	}
}

// TestWarningRules: the rules for Prometheus are whole and speak only of
// metrics that there are.
func TestWarningRules(t *testing.T) {
	known := map[string]bool{}
	for _, m := range ownMetrics(t) {
		known[m.name] = true
	}
	var file struct {
		Groups []struct {
			Name  string
			Rules []struct {
				Alert, Expr, For    string
				Labels, Annotations map[string]string
			}
		}
	}
	readYAML(t, "prometheus/rules.yaml", &file)
	ours, seen := regexp.MustCompile(`standwatch_\w+`), 0
	for _, g := range file.Groups {
		for _, r := range g.Rules {
			seen++
			if r.Alert == "" || r.Expr == "" || r.Labels["severity"] == "" || r.Annotations["summary"] == "" || r.Annotations["description"] == "" {
				t.Errorf("rule %q lacks a part: %+v", r.Alert, r)
			}
			for _, name := range ours.FindAllString(r.Expr, -1) {
				if !known[name] {
					t.Errorf("rule %s speaks of %s, which there is not", r.Alert, name)
				}
			}
		}
	}
	if seen < 5 {
		t.Errorf("%d rules were read", seen)
	}
}

// TestKubernetesManifest: one replica with a volume of its own, no rights, and
// the address of the sender kept.
func TestKubernetesManifest(t *testing.T) {
	var set struct {
		Kind string
		Spec struct {
			Replicas int
			Template struct {
				Spec struct {
					SecurityContext struct {
						RunAsNonRoot bool `yaml:"runAsNonRoot"`
					} `yaml:"securityContext"`
					Containers []struct {
						Image           string
						Args            []string
						SecurityContext struct {
							Escalation bool `yaml:"allowPrivilegeEscalation"`
							ReadOnly   bool `yaml:"readOnlyRootFilesystem"`
						} `yaml:"securityContext"`
						Liveness struct {
							HTTP struct{ Path string } `yaml:"httpGet"`
						} `yaml:"livenessProbe"`
					}
				}
			}
			Claims []struct{ Metadata struct{ Name string } } `yaml:"volumeClaimTemplates"`
		}
	}
	all := strings.Split(readDeploy(t, "kubernetes/standwatch.yaml"), "\n---\n")
	if err := yaml.Unmarshal([]byte(all[0]), &set); err != nil {
		t.Fatal(err)
	}
	pod := set.Spec.Template.Spec
	if set.Kind != "StatefulSet" || set.Spec.Replicas != 1 || len(set.Spec.Claims) != 1 || !pod.SecurityContext.RunAsNonRoot || len(pod.Containers) != 1 {
		t.Fatalf("read %+v", set)
	}
	c := pod.Containers[0]
	if c.SecurityContext.Escalation || !c.SecurityContext.ReadOnly || c.Image != "standwatch:"+version || c.Liveness.HTTP.Path != "/healthz" {
		t.Errorf("container %+v", c)
	}
	if cmd, _, err := newRootCommand().Find(c.Args); err != nil || cmd.Name() != "serve" || cmd.ParseFlags(c.Args[1:]) != nil {
		t.Errorf("the container's command line is not ours: %q", c.Args)
	}
	var traps struct {
		Spec struct {
			Policy string `yaml:"externalTrafficPolicy"`
			Ports  []struct{ Protocol string }
		}
	}
	if err := yaml.Unmarshal([]byte(all[1]), &traps); err != nil {
		t.Fatal(err)
	}
	if traps.Spec.Policy != "Local" || len(traps.Spec.Ports) != 1 || traps.Spec.Ports[0].Protocol != "UDP" {
		t.Errorf("the service for traps does not keep the sender's address: %+v", traps)
	}
}

// TestUnitAndContainerRunOurCommand: flags in the unit and the container file
// are flags that there are.
func TestUnitAndContainerRunOurCommand(t *testing.T) {
	start := regexp.MustCompile(`(?m)^ExecStart=/usr/bin/standwatch (.*)$`).FindStringSubmatch(readDeploy(t, "standwatch.service"))
	cmdline := regexp.MustCompile(`(?m)^CMD \[(.*)\]$`).FindStringSubmatch(readDeploy(t, "container/Containerfile"))
	if start == nil || cmdline == nil {
		t.Fatal("the unit or the container file starts nothing")
	}
	for _, args := range [][]string{strings.Fields(start[1]), strings.Fields(strings.NewReplacer(`"`, "", ",", "").Replace(cmdline[1]))} {
		cmd, rest, err := newRootCommand().Find(args)
		if err != nil || cmd.Name() != "serve" {
			t.Fatalf("%q: %v", args, err)
		}
		if err := cmd.ParseFlags(rest); err != nil {
			t.Errorf("%q: %v", args, err)
		}
	}
}

func readDeploy(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(deployFolder, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func readYAML(t *testing.T, name string, into any) {
	t.Helper()
	if err := yaml.Unmarshal([]byte(readDeploy(t, name)), into); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}
