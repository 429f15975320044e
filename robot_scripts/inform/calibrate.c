/* Calibration of a camera: the task of the C option that talks to the PC, for the job CALIBRATE.

   The job language itself sends no lines: without the C option this controller is not served. The job moves and this task
   talks; they meet in variables:

     B010  request of the job: 1 begin or rejoin, 2 capture, 3 check, 4 solve and bye, 5 result; 0 when it is done
     B011  outcome: 0 done, 1 done and no more pairs are wanted, 2 refused here, 3 stop: call an operator, 4 given up
     B012  the newest reply code, 255 without a reply
     B013  1: leave an open session, begin a new one (as is necessary if anything in the cell was changed)
     I010  steps that an open session has behind it
     D016  upper bound of the error of the solved result, um
     D020 to D025  the accepted transform: um and 0.0001 degrees, written by request 5
     S010  the newest reply; such a variable holds 32 characters, so that a result is read two numbers at a time

   Wire: plain TCP to [robot] listen of the station file; see ../README.md.

   CAUTION. The rules of your site and the manual of the controller take precedence over everything here. Nobody in the
   cell in play mode; whoever watches has a stop within reach. No reply of the PC is a safety signal. */
#include "c_option.h"

#include <stdio.h>
#include <string.h>

static const char *const host = "192.168.1.10";
static const unsigned short port = 4750;

enum { REPLY_CHARACTERS = 32, REPLY_TIMEOUT_S = 10, TICKS_PER_POLL = 125, POLLS = 60, TRIES = 3 };
enum { REQUEST = 10, OUTCOME = 11, CODE = 12, BEGIN_NEW = 13, NO_CODE = 255 };
enum { STEPS_BEHIND = 10, BOUND = 16, FIRST_RESULT = 20 };
enum { DONE = 0, NO_MORE = 1, REFUSED = 2, STOPPED = 3, GIVEN_UP = 4 };

static int sock = -1;
static int seq = 0;
/* The newest reply: code, seq, count, aux; or code, seq and two numbers of a result. */
static char reply[REPLY_CHARACTERS + 1];
static int code = NO_CODE;
static int replied_seq = 0;
static long third = 0;
static long fourth = 0;

static long get_variable(unsigned short type, unsigned short index)
{
    MP_VAR_INFO info;
    LONG value = 0;

    info.usType = type;
    info.usIndex = index;
    mpGetVarData(&info, &value, 1);
    return (long)value;
}

static void put_variable(unsigned short type, unsigned short index, long value)
{
    MP_VAR_DATA data;

    data.usType = type;
    data.usIndex = index;
    data.ulValue = (LONG)value;
    mpPutVarData(&data, 1);
}

/* The newest reply for the pendant. */
static void put_reply(void)
{
    MP_SVAR_INFO data;

    data.usType = MP_RESTYPE_VAR_S;
    data.usIndex = 10;
    strcpy((char *)data.ucValue, reply);
    mpPutSVarInfo(&data, 1);
}

static void close_link(void)
{
    if (sock >= 0)
        mpClose(sock);
    sock = -1;
}

/* Sends the line and reads up to the LF behind the reply: 1 if one arrived within 10 s. */
static int send_and_read(const char *line)
{
    char sent[82];
    int length = 0;
    char next = 0;

    sprintf(sent, "%s\n", line);
    if (mpSend(sock, sent, (int)strlen(sent), 0) < 0)
        return 0;
    for (;;) {
        fd_set readable;
        struct timeval limit;

        FD_ZERO(&readable);
        FD_SET(sock, &readable);
        limit.tv_sec = REPLY_TIMEOUT_S;
        limit.tv_usec = 0;
        if (mpSelect(sock + 1, &readable, NULL, NULL, &limit) <= 0)
            return 0;
        if (mpRecv(sock, &next, 1, 0) <= 0)
            return 0;
        if (next == '\n')
            break;
        if (length < REPLY_CHARACTERS)
            reply[length++] = next;
    }
    reply[length] = '\0';
    put_reply();
    /* A reply to another line is none: connect anew. */
    return sscanf(reply, "%d,%d,%ld,%ld", &code, &replied_seq, &third, &fourth) == 4 && replied_seq == seq;
}

/* Connects and says hello, which takes the station over from a connection that is dead. */
static int open_link(void)
{
    struct sockaddr_in address;
    char line[32];

    sock = mpSocket(AF_INET, SOCK_STREAM, 0);
    if (sock < 0)
        return 0;
    memset(&address, 0, sizeof address);
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = mpInetAddr((char *)host);
    address.sin_port = mpHtons(port);
    if (mpConnect(sock, (struct sockaddr *)&address, sizeof address) < 0)
        return 0;
    sprintf(line, "hello %d", seq);
    return send_and_read(line) && code <= 9;
}

/* The line and its reply, up to three times, each on a new connection. The same line again is answered from the record. */
static int exchange(const char *line)
{
    int tries;

    for (tries = 0; tries < TRIES; tries++) {
        if ((sock >= 0 || open_link()) && send_and_read(line))
            return 1;
        close_link();
    }
    code = NO_CODE;
    return 0;
}

/* The line and its final reply: while the code is 10 to 19, the arm stands still and the task polls. */
static int request(const char *line)
{
    char again[32];
    int polls;

    if (!exchange(line))
        return 0;
    sprintf(again, "again %d", seq);
    for (polls = 0; code >= 10 && code <= 19 && polls < POLLS; polls++) {
        mpTaskDelay(TICKS_PER_POLL);
        if (!exchange(again))
            return 0;
    }
    return code < 10 || code > 19;
}

/* What the job is to do, by the range of the newest code. */
static int outcome(void)
{
    if (code <= 9)
        return fourth == 0 ? NO_MORE : DONE;
    if (code <= 19)
        return GIVEN_UP; /* no final code */
    if (code <= 29)
        return REFUSED;
    if (code <= 39)
        return STOPPED;
    return GIVEN_UP; /* 40 to 49: the program or the station file is to be corrected */
}

/* Begins a session, or rejoins the open one unless a stop ended it or the job wants a new one. */
static int begin(void)
{
    char line[32];
    long kept;

    sprintf(line, "hello %d", seq);
    if (!exchange(line) || code > 9)
        return GIVEN_UP;
    /* The last number in use; 0 if no session is open. */
    seq = (int)fourth;
    kept = third;
    put_variable(MP_RESTYPE_VAR_I, STEPS_BEHIND, 0);
    if (seq > 0 && kept > 0 && get_variable(MP_RESTYPE_VAR_B, BEGIN_NEW) == 0) {
        sprintf(line, "again %d", seq);
        if (!request(line))
            return GIVEN_UP;
        if (code <= 30) {
            sprintf(line, "status %d", seq);
            if (!exchange(line))
                return GIVEN_UP;
            /* At least as many waypoints were visited as pairs are kept. */
            put_variable(MP_RESTYPE_VAR_I, STEPS_BEHIND, kept);
            return outcome();
        }
    }
    sprintf(line, "begin %d", ++seq);
    if (!request(line) || code > 9)
        return GIVEN_UP;
    return DONE;
}

/* A capture or a check where the arm stands; once more under a new number if it is refused. The flange pose: the job has
   selected a tool that is all zero; 0.001 mm and 0.0001 degrees, in the base frame. */
static int take(const char *verb)
{
    MP_CTRL_GRP_SEND_DATA group;
    MP_CART_POS_RSP_DATA here;
    char line[80];
    int tries;
    int came_to = REFUSED;

    for (tries = 0; tries < 2 && came_to == REFUSED; tries++) {
        if (tries > 0)
            mpTaskDelay(TICKS_PER_POLL);
        group.sCtrlGrp = 0;
        if (mpGetCartPos(&group, &here) != 0)
            return GIVEN_UP;
        sprintf(line, "%s %d %ld %ld %ld %ld %ld %ld", verb, ++seq, (long)here.lPos[0], (long)here.lPos[1],
                (long)here.lPos[2], (long)here.lPos[3], (long)here.lPos[4], (long)here.lPos[5]);
        if (!request(line))
            return GIVEN_UP;
        came_to = outcome();
    }
    return came_to;
}

/* The last solve; the session is closed if the result is within the tolerance, else it stays open for more waypoints. */
static int finish(void)
{
    char line[32];

    sprintf(line, "solve %d", ++seq);
    if (!request(line))
        return GIVEN_UP;
    if (code > 9)
        return outcome();
    put_variable(MP_RESTYPE_VAR_D, BOUND, fourth);
    sprintf(line, "bye %d", ++seq);
    if (!request(line) || code > 9)
        return GIVEN_UP;
    return DONE;
}

/* The accepted transform, two numbers at a time; the first two again, since another one may be accepted in between. */
static int read_result(void)
{
    static const int firsts[] = {1, 3, 5, 1};
    long value[6];
    char line[32];
    int piece;

    for (piece = 0; piece < 4; piece++) {
        sprintf(line, "result %d %d 2", ++seq, firsts[piece]);
        if (!exchange(line))
            return GIVEN_UP;
        if (code != 0)
            return outcome() == NO_MORE ? GIVEN_UP : outcome();
        if (piece == 3)
            break;
        value[2 * piece] = third;
        value[2 * piece + 1] = fourth;
    }
    if (value[0] != third || value[1] != fourth)
        return REFUSED;
    for (piece = 0; piece < 6; piece++)
        put_variable(MP_RESTYPE_VAR_D, (unsigned short)(FIRST_RESULT + piece), value[piece]);
    return DONE;
}

/* Serves the requests of the job for ever. */
void eyebolt_task(void)
{
    for (;;) {
        int came_to = GIVEN_UP;

        switch (get_variable(MP_RESTYPE_VAR_B, REQUEST)) {
        case 0:
            mpTaskDelay(TICKS_PER_POLL / 5);
            continue;
        case 1:
            came_to = begin();
            break;
        case 2:
            came_to = take("capture");
            break;
        case 3:
            came_to = take("check");
            break;
        case 4:
            came_to = finish();
            break;
        case 5:
            came_to = read_result();
            break;
        }
        if (came_to == GIVEN_UP)
            close_link();
        put_variable(MP_RESTYPE_VAR_B, CODE, code);
        put_variable(MP_RESTYPE_VAR_B, OUTCOME, came_to);
        put_variable(MP_RESTYPE_VAR_B, REQUEST, 0);
    }
}

void mpUsrRoot(int a, int b, int c, int d, int e, int f, int g, int h, int i, int j)
{
    mpCreateTask(MP_PRI_TIME_NORMAL, MP_STACK_SIZE, (FUNCPTR)eyebolt_task, a, b, c, d, e, f, g, h, i, j);
}
