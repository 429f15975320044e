/* Runs a program of the C option on this computer. Each line of the input is what the job asks for and where the arm is,
   "REQUEST X Y Z RX RY RZ"; every variable that the program sets is printed as "TYPE INDEX VALUE". In the environment: PORT
   of the daemon, BEGIN_NEW for B013, REAL_TIME for limits as stated and pauses of a tenth. */
#include "c_option.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

void mpUsrRoot(int, int, int, int, int, int, int, int, int, int);

static int pose[6];

int mpGetVarData(MP_VAR_INFO *info, LONG *value, LONG count)
{
    char line[200];

    (void)count;
    if (info->usType == MP_RESTYPE_VAR_B && info->usIndex == 13) {
        *value = getenv("BEGIN_NEW") != NULL;
        return 0;
    }
    if (info->usType != MP_RESTYPE_VAR_B || info->usIndex != 10 || !fgets(line, sizeof line, stdin))
        exit(0);
    *value = 0;
    sscanf(line, "%d %d %d %d %d %d %d", value, &pose[0], &pose[1], &pose[2], &pose[3], &pose[4], &pose[5]);
    return 0;
}

int mpPutVarData(MP_VAR_DATA *data, LONG count)
{
    (void)count;
    printf("%c %d %d\n", "BIDR"[data->usType], data->usIndex, data->ulValue);
    return 0;
}

int mpPutSVarInfo(MP_SVAR_INFO *data, LONG count)
{
    (void)count;
    if (strlen((char *)data->ucValue) > 32)
        abort();
    printf("S %d %s\n", data->usIndex, data->ucValue);
    return 0;
}

int mpGetCartPos(MP_CTRL_GRP_SEND_DATA *group, MP_CART_POS_RSP_DATA *position)
{
    int axis;

    (void)group;
    for (axis = 0; axis < 6; axis++)
        position->lPos[axis] = pose[axis];
    return 0;
}

int mpTaskDelay(int ticks)
{
    if (getenv("REAL_TIME") != NULL)
        usleep((useconds_t)ticks * 400);
    return 0;
}

int mpCreateTask(int priority, int stack, FUNCPTR entry, int a, int b, int c, int d, int e, int f, int g, int h, int i, int j)
{
    (void)priority, (void)stack;
    return entry(a, b, c, d, e, f, g, h, i, j);
}

int mpSocket(int domain, int type, int protocol) { return socket(domain, type, protocol); }
int mpConnect(int s, const struct sockaddr *address, int length) { return connect(s, address, (socklen_t)length); }
int mpSend(int s, const char *data, int length, int flags) { return (int)send(s, data, (size_t)length, flags | MSG_NOSIGNAL); }
int mpRecv(int s, char *data, int length, int flags) { return (int)recv(s, data, (size_t)length, flags); }
int mpClose(int s) { return close(s); }
unsigned int mpInetAddr(char *address) { (void)address; return htonl(INADDR_LOOPBACK); }
unsigned short mpHtons(unsigned short port) { (void)port; return htons((unsigned short)atoi(getenv("PORT"))); }

/* Without REAL_TIME the limit is a fiftieth of the stated one: a test does not wait for ten seconds. */
int mpSelect(int count, fd_set *reads, fd_set *writes, fd_set *errors, struct timeval *limit)
{
    struct timeval shorter;

    shorter.tv_sec = getenv("REAL_TIME") != NULL ? limit->tv_sec : 0;
    shorter.tv_usec = getenv("REAL_TIME") != NULL ? 0 : limit->tv_sec * 20000;
    return select(count, reads, writes, errors, &shorter);
}

int main(void)
{
    setvbuf(stdout, NULL, _IOLBF, 0);
    mpUsrRoot(0, 0, 0, 0, 0, 0, 0, 0, 0, 0);
    return 0;
}
