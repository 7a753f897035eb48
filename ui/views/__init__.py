"""The pages: widgets and their order; nothing is computed here. (Not `pages`: Streamlit would run one alone.)"""
