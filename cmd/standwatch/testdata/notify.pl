# Sends one contact notification of the invented remote with Debian's
# libnet-snmp-perl. The only argument is JSON, as for notify.py. Before a v3
# inform it asks for the master's engine ID. Fails when an inform or that question
# was not answered.
use strict;
use warnings;
use JSON::PP;
use Net::SNMP qw(:asn1);

my $o       = decode_json($ARGV[0]);
my $kestrel = '1.3.6.1.4.1.32473.10';
my %login   = $o->{version} eq 'v3' ? (-username => $o->{user}) : (-community => $o->{community});
if ($o->{version} eq 'v3' && $o->{auth} ne 'none') {
    %login = (%login, -authprotocol => 'sha', -authpassword => $o->{auth_secret});
    %login = (%login, -privprotocol => 'aes', -privpassword => $o->{priv_secret}) if $o->{priv} ne 'none';
}
my ($session, $error) = Net::SNMP->session(
    -hostname => $o->{target}, -port => $o->{port}, -localaddr => $o->{from},
    -version => {v1 => 1, v2c => 2, v3 => 3}->{ $o->{version} }, -retries => 3, -timeout => 2, %login);
die "session: $error\n" unless $session;

my @columns = map { ("$kestrel.2.1.$_->[0].$o->{number}", $_->[1], $_->[2]) }
    ([1, INTEGER, $o->{number}], [2, INTEGER, $o->{state}], [3, OCTET_STRING, 'told by libnet-snmp-perl']);
my @head = ('1.3.6.1.2.1.1.3.0', TIMETICKS, 100, '1.3.6.1.6.3.1.1.4.1.0', OBJECT_IDENTIFIER, "$kestrel.0.1");
my $ok;
if ($o->{version} eq 'v1') {
    $ok = $session->trap(-enterprise => $kestrel, -agentaddr => $o->{from}, -generictrap => 6, -specifictrap => 1, -varbindlist => \@columns);
}
elsif ($o->{inform}) {
    $ok = $session->inform_request(-varbindlist => [@head, @columns]);
}
else {
    $ok = $session->snmpv2_trap(-varbindlist => [@head, @columns]);
}
die 'notify: ' . $session->error() . "\n" unless defined $ok;
$session->close();
