import streamlit as st
st.write("hi", st.context.theme)
