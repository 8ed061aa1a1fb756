/* Reads of eight objects by net-snmp's asynchronous API, one in flight to each host: what the same costs in C.
 *
 *     net_snmp_reads PORT SECONDS VERSION HOSTS OID...     VERSION is 2c or 3
 *
 * HOSTS are 127.0.1.1 and on. Prints how many answers came, how many were none, and the seconds of processor time.
 * meter_read.py and usm_read.py compile and run this (libsnmp-dev); the user of SNMPv3 is theirs.
 */

#include <net-snmp/net-snmp-config.h>
#include <net-snmp/net-snmp-includes.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/select.h>
#include <time.h>

#define OBJECTS_MAX 32
#define USER "bench"
#define AUTH_PASSWORD "an-invented-password"
#define PRIV_PASSWORD "another-invented-one"

struct object {
    oid name[MAX_OID_LEN];
    size_t length;
};

static struct object objects[OBJECTS_MAX];
static int object_count, in_flight;
static long answered, failed;
static double ends_s;

static double now_s(void)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec + now.tv_nsec / 1e9;
}

static double processor_s(void)
{
    struct rusage used;

    getrusage(RUSAGE_SELF, &used);
    return used.ru_utime.tv_sec + used.ru_stime.tv_sec + (used.ru_utime.tv_usec + used.ru_stime.tv_usec) / 1e6;
}

static void ask(netsnmp_session *session);

static int on_answer(int operation, netsnmp_session *session, int id, netsnmp_pdu *pdu, void *unused)
{
    netsnmp_variable_list *value;
    int values = 0;

    (void)id;
    (void)unused;
    in_flight--;
    if (operation == NETSNMP_CALLBACK_OP_RECEIVED_MESSAGE && pdu->errstat == SNMP_ERR_NOERROR)
        for (value = pdu->variables; value != NULL; value = value->next_variable)
            values += value->type != SNMP_NOSUCHINSTANCE && value->type != SNMP_NOSUCHOBJECT;
    if (values == object_count)
        answered++;
    else
        failed++;
    if (now_s() < ends_s)
        ask(session);
    return 1;
}

static void ask(netsnmp_session *session)
{
    netsnmp_pdu *pdu = snmp_pdu_create(SNMP_MSG_GET);
    int number;

    for (number = 0; number < object_count; number++)
        snmp_add_null_var(pdu, objects[number].name, objects[number].length);
    if (snmp_send(session, pdu)) {
        in_flight++;
    } else {
        failed++;
        snmp_free_pdu(pdu);
    }
}

static void set_user(netsnmp_session *session)
{
    session->securityName = (char *)USER;
    session->securityNameLen = strlen(USER);
    session->securityLevel = SNMP_SEC_LEVEL_AUTHPRIV;
    session->securityAuthProto = (oid *)usmHMAC192SHA256AuthProtocol;
    session->securityAuthProtoLen = OID_LENGTH(usmHMAC192SHA256AuthProtocol);
    session->securityPrivProto = (oid *)usmAESPrivProtocol;
    session->securityPrivProtoLen = OID_LENGTH(usmAESPrivProtocol);
    session->securityAuthKeyLen = USM_AUTH_KU_LEN;
    session->securityPrivKeyLen = USM_PRIV_KU_LEN;
    if (generate_Ku(session->securityAuthProto, session->securityAuthProtoLen, (u_char *)AUTH_PASSWORD,
                    strlen(AUTH_PASSWORD), session->securityAuthKey, &session->securityAuthKeyLen) != SNMPERR_SUCCESS ||
        generate_Ku(session->securityAuthProto, session->securityAuthProtoLen, (u_char *)PRIV_PASSWORD,
                    strlen(PRIV_PASSWORD), session->securityPrivKey, &session->securityPrivKeyLen) != SNMPERR_SUCCESS) {
        fprintf(stderr, "no key could be made of the passwords\n");
        exit(1);
    }
}

static netsnmp_session *opened(int number, const char *port, int version_3)
{
    static char peer[64];
    netsnmp_session session, *open;

    snmp_sess_init(&session);
    snprintf(peer, sizeof peer, "127.0.1.%d:%s", number + 1, port);
    session.peername = peer;
    session.version = version_3 ? SNMP_VERSION_3 : SNMP_VERSION_2c;
    session.community = (u_char *)"public";
    session.community_len = strlen("public");
    session.retries = 0;
    session.timeout = 5000000;
    session.callback = on_answer;
    if (version_3)
        set_user(&session);
    open = snmp_open(&session);
    if (open == NULL) {
        snmp_perror("snmp_open");
        exit(1);
    }
    return open;
}

static void wait_for_answers(void)
{
    fd_set readable;
    struct timeval wait;
    int descriptors = 0, block = 0, ready;

    FD_ZERO(&readable);
    wait.tv_sec = 1;
    wait.tv_usec = 0;
    snmp_select_info(&descriptors, &readable, &wait, &block);
    ready = select(descriptors, &readable, NULL, NULL, &wait);
    if (ready > 0)
        snmp_read(&readable);
    else
        snmp_timeout();
}

int main(int count, char **words)
{
    netsnmp_session **sessions;
    int hosts, number;
    double began_s;

    if (count < 6 || count - 5 > OBJECTS_MAX) {
        fprintf(stderr, "usage: net_snmp_reads PORT SECONDS VERSION HOSTS OID...\n");
        return 2;
    }
    setenv("MIBS", "", 1);
    init_snmp("net_snmp_reads");
    hosts = atoi(words[4]);
    for (number = 5; number < count; number++, object_count++) {
        objects[object_count].length = MAX_OID_LEN;
        if (!read_objid(words[number], objects[object_count].name, &objects[object_count].length)) {
            fprintf(stderr, "no object identifier: %s\n", words[number]);
            return 2;
        }
    }
    sessions = calloc(hosts, sizeof *sessions);
    for (number = 0; number < hosts; number++)
        sessions[number] = opened(number, words[1], strcmp(words[3], "3") == 0);
    began_s = processor_s();
    ends_s = now_s() + atof(words[2]);
    for (number = 0; number < hosts; number++)
        ask(sessions[number]);
    while (in_flight > 0)
        wait_for_answers();
    printf("%ld %ld %.6f\n", answered, failed, processor_s() - began_s);
    return 0;
}
