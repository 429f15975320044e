/* Streams the flange pose while the arm is guided by hand: a task of the C option, without which this controller is not
   served. It moves nothing and reads no reply but that to hello. The PC takes the pairs by itself while the arm rests; the
   operator begins and finishes there. B010 = 1 starts the stream, 0 ends it; a tool that is all zero has to be selected.

   CAUTION. Hand guiding only with the function that the manufacturer provides for it, by its manual and the rules of your
   site, with the enabling device. No reply of the PC is a safety signal. */
#include "c_option.h"

#include <stdio.h>
#include <string.h>

static const char *const host = "192.168.1.10";
static const unsigned short port = 4750;

enum { REPLY_TIMEOUT_S = 10, TICKS_PER_POSE = 5, TICKS_PER_TRY = 250, ENABLE = 10 };

static int sock = -1;

static int is_enabled(void)
{
    MP_VAR_INFO info;
    LONG value = 0;

    info.usType = MP_RESTYPE_VAR_B;
    info.usIndex = ENABLE;
    mpGetVarData(&info, &value, 1);
    return value == 1;
}

static void close_link(void)
{
    if (sock >= 0)
        mpClose(sock);
    sock = -1;
}

/* hello makes this connection the one that is listened to. */
static int open_link(void)
{
    struct sockaddr_in address;
    fd_set readable;
    struct timeval limit;
    char reply[33];
    int length;
    int code = 99;

    sock = mpSocket(AF_INET, SOCK_STREAM, 0);
    if (sock < 0)
        return 0;
    memset(&address, 0, sizeof address);
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = mpInetAddr((char *)host);
    address.sin_port = mpHtons(port);
    if (mpConnect(sock, (struct sockaddr *)&address, sizeof address) < 0)
        return 0;
    if (mpSend(sock, "hello 0\n", 8, 0) < 0)
        return 0;
    FD_ZERO(&readable);
    FD_SET(sock, &readable);
    limit.tv_sec = REPLY_TIMEOUT_S;
    limit.tv_usec = 0;
    if (mpSelect(sock + 1, &readable, NULL, NULL, &limit) <= 0)
        return 0;
    length = mpRecv(sock, reply, sizeof reply - 1, 0);
    if (length <= 0)
        return 0;
    reply[length] = '\0';
    return sscanf(reply, "%d,", &code) == 1 && code <= 9;
}

static int send_pose(void)
{
    MP_CTRL_GRP_SEND_DATA group;
    MP_CART_POS_RSP_DATA here;
    char line[80];

    group.sCtrlGrp = 0;
    if (mpGetCartPos(&group, &here) != 0)
        return 0;
    sprintf(line, "pose %ld %ld %ld %ld %ld %ld\n", (long)here.lPos[0], (long)here.lPos[1], (long)here.lPos[2],
            (long)here.lPos[3], (long)here.lPos[4], (long)here.lPos[5]);
    return mpSend(sock, line, (int)strlen(line), 0) > 0;
}

void eyebolt_guide_task(void)
{
    for (;;) {
        if (!is_enabled()) {
            close_link();
            mpTaskDelay(TICKS_PER_TRY);
        } else if (sock >= 0) {
            mpTaskDelay(TICKS_PER_POSE);
            if (!send_pose())
                close_link();
        } else if (!open_link()) {
            close_link();
            mpTaskDelay(TICKS_PER_TRY);
        }
    }
}

void mpUsrRoot(int a, int b, int c, int d, int e, int f, int g, int h, int i, int j)
{
    mpCreateTask(MP_PRI_TIME_NORMAL, MP_STACK_SIZE, (FUNCPTR)eyebolt_guide_task, a, b, c, d, e, f, g, h, i, j);
}
