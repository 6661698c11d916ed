# A short message service centre for the interoperability test, on Debian's
# libnet-smpp-perl. It listens on a port of its own, which it prints, serves
# one connection, prints what it was given, reports each message that wants a
# receipt as delivered, and answers the first with a text.
use strict;
use warnings;
use Net::SMPP;

$| = 1;
my $listen = Net::SMPP->new_listen('127.0.0.1', port => 0, smpp_version => 0x34, timeout => 20) or die "listen: $!";
print 'port ', $listen->sockport, "\n";
my $peer = $listen->accept or die "accept: $!";
${*$peer}{async} = 1;
my $count = 0;
while (my $pdu = $peer->read_pdu) {
    if ($pdu->{cmd} == Net::SMPP::CMD_bind_transceiver) {
        my $good = $pdu->{system_id} eq 'standwatch' && $pdu->{password} eq 's3cret';
        print "bind $pdu->{system_id} $pdu->{interface_version}\n";
        $peer->bind_transceiver_resp(system_id => 'centre', seq => $pdu->{seq}, status => $good ? 0 : 0x0e);
    } elsif ($pdu->{cmd} == Net::SMPP::CMD_submit_sm) {
        my $id = sprintf 'id-%d', ++$count;
        print join(' ', 'submit', $pdu->{source_addr_ton}, $pdu->{source_addr}, $pdu->{dest_addr_ton}, $pdu->{destination_addr},
            $pdu->{esm_class}, $pdu->{data_coding}, $pdu->{registered_delivery}, unpack('H*', $pdu->{short_message})), "\n";
        $peer->submit_sm_resp(message_id => $id, seq => $pdu->{seq}, status => 0);
        $peer->deliver_sm(esm_class => 4, source_addr => $pdu->{destination_addr}, destination_addr => $pdu->{source_addr},
            short_message => "id:$id sub:001 dlvrd:001 submit date:2611140905 done date:2611140905 stat:DELIVRD err:000 text:",
            receipted_message_id => "$id\0", message_state => chr(2)) if $pdu->{registered_delivery};
        $peer->deliver_sm(source_addr_ton => 1, source_addr_npi => 1, source_addr => $pdu->{destination_addr},
            destination_addr => $pdu->{source_addr}, short_message => 'K7M3P') if $count == 1;
    } elsif ($pdu->{cmd} == Net::SMPP::CMD_enquire_link) {
        print "enquire\n";
        $peer->enquire_link_resp(seq => $pdu->{seq});
    } elsif ($pdu->{cmd} == Net::SMPP::CMD_deliver_sm_resp) {
        print "taken $pdu->{status}\n";
    } elsif ($pdu->{cmd} == Net::SMPP::CMD_unbind) {
        print "unbind\n";
        $peer->unbind_resp(seq => $pdu->{seq});
        last;
    } else {
        printf "unexpected %x\n", $pdu->{cmd};
    }
}
