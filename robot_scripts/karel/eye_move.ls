/PROG  EYE_MOVE
/ATTR
COMMENT		= "move for calibrate";
DEFAULT_GROUP	= 1,*,*,*,*;
/MN
   1:  !Called by calibrate: drives to the ;
   2:  !position register R[90], shifted by ;
   3:  !PR[99] in the axes of the flange. ;
   4:  UFRAME_NUM=0 ;
   5:  UTOOL_NUM=10 ;
   6:L PR[R[90]] 100mm/sec FINE Tool_Offset,PR[99] ;
/POS
/END
